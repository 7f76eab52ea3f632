// The page: which view is open, and what all views share.

import { Feed } from './feed.js';
import { zone } from './dom.js';
import { drawBench } from './bench.js';
import { drawJob, forget } from './job.js';
import * as tones from './tones.js';

const main = document.getElementById('main');
const page = { names: null, shown: false, turn: 0, side: 'read', sheet: '', drive: {}, picked: {}, feed: null };
const heard = new Map(); // the tones of each case that were heard

const states = {
  live: 'live', asking: 'asked every two seconds', lost: 'no connection: what is shown may be old',
  out: 'not let in: open the link with the token once more',
};

function state(s) {
  const e = document.getElementById('link');
  if (e.textContent !== states[s]) e.textContent = states[s];
}

page.feed = new Feed(changed, state);
page.redraw = draw;

function changed(keys) {
  for (const key of keys) {
    if (key.startsWith('job/')) listen(key.slice(4));
    if (key === 'drives') loaded();
    if (key.endsWith('/files') && page.shown) names();
  }
  draw();
}

// listen sounds the tone of a case that was not heard yet. What was before this page
// opened is not news.
function listen(id) {
  const tone = page.feed.get(`job/${id}`)?.tone;
  if (!tone) return;
  const mark = `${page.feed.epoch} ${tone.n}`;
  if (heard.has(id) && heard.get(id) !== mark && tone.n > 0) tones.sound(tone.kind);
  heard.set(id, mark);
}

// loaded opens the job of a disc that was put in while the page was open.
const loadings = new Map();
let looked = false;
function loaded() {
  for (const d of page.feed.get('drives') ?? []) {
    const was = loadings.get(d.id);
    loadings.set(d.id, d.loading);
    if (!looked || !d.disc || d.pretend || was === d.loading) continue;
    page.drive.chosen = d.id;
    location.hash = d.same?.length === 1 ? `#/job/${d.same[0]}` : '#/';
  }
  looked = true;
}

function route() {
  const m = location.hash.match(/^#\/job\/([A-Z2-7]{8})$/);
  return m ? m[1] : '';
}

let open = null;

function draw() {
  const id = route();
  page.feed.watch(id);
  document.getElementById('open').hidden = !page.feed.get('bench')?.open;
  const jobs = page.feed.get('jobs');
  if (!jobs) return;
  if (open !== id) {
    open = id;
    main.key = null;
    main.replaceChildren();
    forget();
    if (page.shown) names();
  }
  if (id) drawJob(main, id, page);
  else drawBench(main, page);
  document.title = id ? title(page.feed.get(`job/${id}`)) : 'Turnstone';
}

function title(row) { return row ? `${row.job}: ${row.line.now}` : 'Turnstone'; }

// names shows the names of cases and files, or hides them again.
async function names() {
  const ids = route() ? [route()] : page.feed.get('jobs') ?? [];
  const all = {};
  for (const id of ids) {
    try {
      const r = await fetch(`/names/${id}`);
      if (r.ok) all[id] = await r.json();
    } catch { /* the next tap asks again */ }
  }
  page.names = all;
  draw();
}

document.getElementById('names').addEventListener('click', (e) => {
  page.shown = !page.shown;
  e.currentTarget.setAttribute('aria-pressed', page.shown);
  e.currentTarget.textContent = page.shown ? 'Hide names' : 'Show names';
  page.names = null;
  if (page.shown) names();
  draw();
});

document.getElementById('sound').addEventListener('click', (e) => {
  const on = tones.turn(!tones.on);
  e.currentTarget.setAttribute('aria-pressed', on);
  e.currentTarget.textContent = on ? 'Sound off' : 'Sound on';
  if (on) tones.sound('come');
});

// Space goes on: the one button that is marked for it. Where a button was reached by the
// keyboard Space is that button's, as everywhere; a question is never answered by it.
window.addEventListener('keydown', (e) => {
  if (e.key !== ' ' || e.repeat || e.ctrlKey || e.altKey || e.metaKey) return;
  if (document.querySelector('dialog[open]')) {
    if (!document.activeElement?.matches(':focus-visible')) e.preventDefault();
    return;
  }
  const t = e.target;
  if (t.matches?.('input, select, textarea') || t.matches?.('button:focus-visible, a:focus-visible, summary:focus-visible')) return;
  e.preventDefault();
  main.querySelector('button.go:not(:disabled)')?.click();
});

window.addEventListener('hashchange', () => { draw(); main.focus(); window.scrollTo(0, 0); });
zone(main, 'wait', () => []);
page.feed.watch(route());
