// What the server tells: entries by key. It comes as server-sent events, and by asking
// again and again in a browser that has none, or where they do not come through.

const pollEvery = 2000; // ms
const mostFailures = 3; // of the event stream, before it is asked instead

export class Feed {
  entries = new Map();
  at = '';
  case = '';
  failures = 0;

  // changed is called with the keys that changed; state with how the line is.
  constructor(changed, state) {
    this.changed = changed;
    this.state = state;
  }

  // watch begins to listen, to all and to one case ('' for none).
  watch(id) {
    if (this.started && id === this.case) return;
    this.started = true;
    this.case = id;
    this.at = ''; // of this case everything is news
    this.close();
    if (window.EventSource && this.failures < mostFailures) this.listen();
    else this.poll();
  }

  close() {
    this.source?.close();
    this.source = null;
    clearTimeout(this.timer);
  }

  listen() {
    const source = new EventSource(`/feed?case=${encodeURIComponent(this.case)}`);
    this.source = source;
    source.onmessage = (m) => {
      this.failures = 0;
      this.state('live');
      this.take(JSON.parse(m.data));
    };
    source.onerror = () => {
      this.state('lost');
      this.failures++;
      if (this.failures < mostFailures && source.readyState !== EventSource.CLOSED) return; // it comes back by itself
      this.close();
      this.timer = setTimeout(() => this.poll(), pollEvery);
    };
  }

  async poll() {
    const id = this.case;
    try {
      const r = await fetch(`/changes?case=${encodeURIComponent(id)}&since=${encodeURIComponent(this.at)}`);
      if (id !== this.case) return;
      if (r.status === 401) { this.state('out'); return; }
      if (!r.ok) throw new Error(r.statusText);
      this.state('asking');
      this.take(await r.json());
    } catch {
      this.state('lost');
    }
    if (id === this.case) this.timer = setTimeout(() => this.poll(), pollEvery);
  }

  take(patch) {
    const epoch = patch.at.split('.')[0];
    if (this.epoch && this.epoch !== epoch) this.entries.clear(); // another server: nothing is known of it
    this.epoch = epoch;
    this.at = patch.at;
    for (const [key, value] of Object.entries(patch.set)) {
      if (value === null) this.entries.delete(key);
      else this.entries.set(key, value);
    }
    this.changed(Object.keys(patch.set));
  }

  get(key) { return this.entries.get(key); }
}
