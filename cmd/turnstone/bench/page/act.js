// What the page has done: every action is a POST with JSON.

import { h } from './dom.js';

const said = document.getElementById('said');
const dialog = document.getElementById('ask');
let quiet = 0;

// say shows what became of something, for a while.
export function say(text, cautions = []) {
  said.replaceChildren();
  if (!text && !cautions.length) return;
  said.append(h('p', {}, text), cautions.length ? h('ul', {}, cautions.map((c) => h('li', {}, c))) : '',
    h('button', { type: 'button', onclick: () => say('') }, 'Understood'));
  clearTimeout(quiet);
  if (!cautions.length) quiet = setTimeout(() => say(''), 8000);
}

// ask puts a question that only a person can answer; its promise is the answer. Space
// answers nothing: a foot switch must not.
export function ask(text, yes, no) {
  document.getElementById('ask-text').textContent = text;
  return new Promise((answer) => {
    const give = (a) => { dialog.close(); answer(a); };
    document.getElementById('ask-buttons').replaceChildren(
      h('button', { type: 'button', onclick: () => give(false) }, no), h('button', { type: 'button', onclick: () => give(true) }, yes));
    dialog.oncancel = () => answer(false);
    dialog.showModal();
  });
}

// act has something done and says what became of it. Where the server asks back, so does
// the page.
export async function act(what, order) {
  let reply;
  try {
    const r = await fetch(`/do/${what}`, { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: JSON.stringify(order) });
    reply = await r.json();
  } catch {
    reply = { error: 'The server does not answer: nothing was done. Is turnstone bench running?' };
  }
  if (reply.ask) {
    if (!await ask(reply.ask, 'It was done: note it', 'No: leave it')) { say('Nothing was done.'); return reply; }
    return act(what, { ...order, sure: true });
  }
  say(reply.error ? `Not done: ${reply.error}` : reply.said ?? '', reply.cautions);
  return reply;
}
