// Three tones that are told apart with the back to the screen: by their number, their
// direction and their height. Browsers make no sound before the page was touched.

const notes = {
  stalled: [[330, 0.3], [247, 0.3], [330, 0.3], [247, 0.5]], // down and down again
  done: [[523, 0.15], [659, 0.15], [784, 0.4]], // up
  come: [[587, 0.2], [0, 0.1], [587, 0.3]], // the same twice
};

let context = null;
export let on = false;

// turn switches the sound on or off; a touch must have asked for it.
export function turn(want) {
  on = want;
  if (on && !context && window.AudioContext) context = new AudioContext();
  context?.resume();
  return on;
}

// sound plays a tone: stalled, done or come.
export function sound(kind) {
  if (on && context && notes[kind]) play(context, kind);
}

// play puts a tone onto an audio context.
export function play(context, kind) {
  let at = context.currentTime + 0.05;
  for (const [hertz, seconds] of notes[kind]) {
    if (hertz) {
      const o = context.createOscillator();
      const g = context.createGain();
      o.type = 'triangle';
      o.frequency.value = hertz;
      g.gain.setValueAtTime(0, at);
      g.gain.linearRampToValueAtTime(0.4, at + 0.02);
      g.gain.setValueAtTime(0.4, at + seconds - 0.05);
      g.gain.linearRampToValueAtTime(0, at + seconds);
      o.connect(g).connect(context.destination);
      o.start(at);
      o.stop(at + seconds);
    }
    at += seconds;
  }
}
