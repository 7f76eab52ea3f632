// One job: the line, what can be done, and all that is known of it.

import { h, zone, count, bytes, lasted, percent } from './dom.js';
import { act, ask } from './act.js';
import { bar, nameOf } from './bench.js';
import { drawMap } from './map.js';

const layout = ['line', 'act'];
const columns = [['map'], ['advice', 'standing', 'rounds'], ['files', 'events', 'keep']];
let picked = new Set(); // files that are marked to be wanted

// forget is called when another view opens.
export function forget() { picked = new Set(); }

// drawJob draws the view of a case.
export function drawJob(main, id, page) {
  const get = (key) => page.feed.get(`case/${id}/${key}`);
  const row = page.feed.get(`job/${id}`);
  if (!row) {
    zone(main, 'gone', () => h('p', {}, 'This job is not here (any more).'));
    return;
  }
  if (!main.querySelector('#part-line')) {
    main.key = null;
    main.replaceChildren(...layout.map(part), h('div', { class: 'parts' }, columns.map((c) => h('div', { class: 'column' }, c.map(part)))));
  }
  const draw = (name, of, build) => {
    const e = main.querySelector(`#part-${name}`);
    zone(e, of, build);
    e.hidden = !e.childElementCount;
  };
  const name = nameOf(id, row, page);
  draw('line', [row.line, row.state, row.good, row.all, row.waiting, row.sentence, name], () => line(row, name));
  const drives = page.feed.get('drives') ?? [];
  draw('act', [row.state, row.proved, row.question, row.waiting, drives, chosen(row, drives, page)?.id, row.locked], () => actions(id, row, drives, page));
  draw('map', [get('map'), page.turn, page.side, page.sheet], () => drawMap(id, get('map'), page));
  draw('advice', [get('advice')], () => advice(get('advice')));
  draw('standing', [get('standing'), get('trouble')], () => standing(get('standing'), get('trouble')));
  draw('rounds', [get('rounds')], () => rounds(get('rounds')));
  draw('files', [get('files'), page.names?.[id], row.state, [...picked]], () => files(id, get('files'), row, page));
  draw('events', [get('events')], () => events(get('events')));
  draw('keep', [id], () => keep(id));
}

function part(name) { return layout.includes(name) ? h('div', { id: `part-${name}` }) : h('section', { id: `part-${name}`, class: name }); }

const looks = { question: 'come', resting: 'come', elsewhere: 'come', cracked: 'stalled', unread: 'come', treated: 'come' };

function line(row, name) {
  const look = row.state === 'resting' && row.tone.kind === 'stalled' ? 'stalled' : looks[row.state] ?? '';
  return h('div', { class: `line ${look}` },
    h('h1', {}, name, row.round ? `, round ${row.round}` : ''),
    h('p', { class: 'now', id: 'now', 'aria-live': row.state === 'reading' ? 'off' : 'polite' }, row.line.now),
    bar(row.all ? row.good / row.all : 0),
    h('p', { class: 'far' }, row.line.far), h('p', { class: 'next' }, row.line.next),
    row.waiting ? h('p', {}, row.waiting) : '', row.sentence ? h('p', { class: 'quiet', id: 'sentence' }, row.sentence) : '');
}

// chosen is the drive that the buttons mean: the one that was tapped, else the one that
// holds the disc, else the one that read last, else the only one.
function chosen(row, drives, page) {
  const free = drives.filter((d) => d.disc || d.pretend);
  const by = (id) => free.find((d) => d.id === id);
  return by(page.drive.chosen) ?? by(row.drive) ?? free[0];
}

const treatments = [['Cleaned', 'clean'], ['Sanded 2000', 'sand 2000'], ['Sanded 3000', 'sand 3000'], ['Polished', 'polish fine']];

function actions(id, row, drives, page) {
  if (row.locked || row.state === 'proving' || row.state === 'cracked' || row.state === 'discarded') return [];
  if (row.question) {
    const answer = (yes) => act('answer', { case: id, question: row.question.n, yes });
    return h('section', { class: 'act' }, h('p', {}, row.question.text), h('div', { class: 'large' },
      h('button', { type: 'button', onclick: () => answer(false) }, 'No: leave the drive alone'), h('button', { type: 'button', onclick: () => answer(true) }, 'Yes: do it')));
  }
  const drive = chosen(row, drives, page);
  const works = row.state === 'reading' || row.state === 'opening' || row.state === 'waiting';
  const others = drives.filter((d) => (d.disc || d.pretend) && !d.job);
  const parts = [];
  if (works) {
    parts.push(h('div', { class: 'large' }, h('button', { type: 'button', class: 'stop', 'data-name': 'stop', onclick: () => act('stop', { case: id }) }, 'Stop')));
    if (others.length && !row.waiting) {
      parts.push(h('p', {}, 'Another drive is free. It can read what is left once this pass is over:'), h('div', { class: 'row' },
        others.map((d) => h('button', { type: 'button', 'data-name': `then ${d.id}`, onclick: () => act('read', { case: id, drive: d.id }) }, `Then ${d.name}`))));
    }
    return h('section', { class: 'act' }, parts);
  }
  if (!drive) return h('section', { class: 'act' }, h('p', {}, 'Put the disc into a drive, dry and free of dust, to go on.'));
  const read = (treatment, more = {}) => act('read', { case: id, drive: drive.id, treatment, ...more });
  const free = !drive.job;
  if (others.length > 1 || !free) {
    parts.push(h('div', { class: 'row', role: 'radiogroup', 'aria-label': 'Drive' }, h('span', {}, 'Drive:'), drives.filter((d) => d.disc || d.pretend).map((d) =>
      h('button', { type: 'button', role: 'radio', 'aria-checked': d === drive ? 'true' : 'false', 'data-name': `drive ${d.id}`,
        onclick: () => { page.drive.chosen = d.id; page.redraw(); } }, d.job ? `${d.name} (it reads)` : d.name))));
  }
  const first = row.state === 'unread' && row.round === 0;
  const prove = h('button', { type: 'button', class: row.state === 'done' && !row.proved ? 'go' : '', 'data-name': 'prove', onclick: () => act('prove', { case: id }) }, 'Prove the image');
  if (row.state === 'done') return h('section', { class: 'act' }, h('div', { class: 'large' }, prove));
  parts.push(h('h2', {}, first ? 'The disc' : 'What was done to the disc?'));
  parts.push(h('div', { class: 'large' },
    h('button', { type: 'button', class: 'go', disabled: !free, 'data-name': 'go', onclick: () => read('') }, first || row.state === 'treated' ? 'Read it' : 'Only put in again'),
    first ? [] : treatments.map(([words, t]) => h('button', { type: 'button', disabled: !free, 'data-name': t, onclick: () => read(t) }, words))));
  const field = h('input', { type: 'text', id: 'treatment', maxlength: 180, size: 30, autocomplete: 'off', placeholder: 'sand 2000, 4 min, 24-48 mm; polish coarse', 'data-name': 'field' });
  parts.push(h('details', {}, h('summary', { 'data-name': 'more' }, 'Something else'),
    h('p', {}, h('label', { for: 'treatment' }, 'Treatment '), field, ' ',
      h('button', { type: 'button', 'data-name': 'note', onclick: () => { if (field.value.trim()) read(field.value.trim()); } }, 'Note it and read')),
    h('div', { class: 'row' },
      h('button', { type: 'button', 'data-name': 'end', onclick: () => read('', { to_the_end: true }) }, 'Read to the end, however little it brings'),
      h('button', { type: 'button', 'data-name': 'again', onclick: () => read('', { again: true }) }, 'Ask this drive once more for all that failed'),
      row.good ? prove : '',
      h('button', { type: 'button', 'data-name': 'fragile', onclick: () => act('inspect', { case: id, fragile: 'yes' }) }, 'Note: fragile'),
      h('button', { type: 'button', 'data-name': 'cracked', onclick: async () => {
        if (await ask('A disc that is noted as cracked is not read any more. Is it cracked?', 'It is cracked', 'No')) act('inspect', { case: id, crack: 'yes' });
      } }, 'It is cracked'))));
  return h('section', { class: 'act' }, parts);
}

function advice(all) {
  if (!all?.length) return [];
  return [h('h2', {}, 'What next'), h('ol', {}, all.map((a) => h('li', {}, h('strong', {}, a.what), ' ', a.why,
    a.cautions?.length ? h('ul', { class: 'cautions' }, a.cautions.map((c) => h('li', {}, c))) : '')))];
}

const keys = [['good', 'good', 'in the image'], ['failed', '', 'missing, failed on this surface'],
  ['not_since', 'since', 'missing, not asked since the last treatment'], ['not_yet', 'open', 'missing, not asked yet']];

function standing(st, trouble) {
  if (trouble) return [h('h2', {}, 'Where it stands'), h('p', {}, trouble)];
  if (!st) return [];
  return [h('h2', {}, 'Where it stands'),
    h('table', {}, h('thead', {}, h('tr', {}, h('th', { scope: 'col' }, 'Sectors'), h('th', { scope: 'col' }, 'are'))),
      h('tbody', {}, keys.map(([name, look, words]) =>
        h('tr', {}, h('td', { class: 'n' }, count(st[name])), h('td', {}, h('span', { class: `key ${look}`, 'aria-hidden': 'true' }), words))))),
    st.conflicts ? h('p', {}, `${count(st.conflicts)} in conflict: two sources differ; the first was kept.`) : '',
    st.seen ? h('p', { class: 'quiet' }, `Seen before it was spun: ${st.seen}.`) : ''];
}

function rounds(all) {
  if (!all?.length) return [];
  return [h('h2', {}, 'Rounds'), h('ol', { start: 0 }, all.map((r) => h('li', {},
    h('strong', {}, r.what), `: ${r.passes.length ? `${count(r.won)} sectors won` : 'not read yet'}`,
    h('ul', {}, r.passes.map((p) => h('li', {}, `${p.drive}: ${count(p.won)} won, ${count(p.failed)} failed reads in ${lasted(p.seconds)}. ${p.ended}.`))))))];
}

function files(id, all, row, page) {
  if (!all || !all.all) return [];
  const names = page.names?.[id]?.list === all.list ? page.names[id].files : {};
  const rest = ['resting', 'treated', 'done', 'unread'].includes(row.state);
  const mark = (n) => { if (!picked.delete(n)) picked.add(n); page.redraw(); };
  const want = async (numbers) => { await act('want', { case: id, list: all.list, files: numbers }); picked = new Set(); };
  const lack = (f) => {
    if (f.playing) return f.state === 'whole' || f.playing.startsWith(f.state) ? f.playing : `${f.state}: ${f.playing}`;
    if (f.state === 'whole') return 'whole';
    const where = f.places > 1 ? ` in ${count(f.places)} places` : '';
    const missing = f.missing ? `${bytes(f.missing)} missing${where}, ${percent(f.share)} there` : '';
    return [f.state, missing].filter(Boolean).join(': ');
  };
  return [h('h2', {}, 'Files and films'), h('p', {}, `${count(all.whole)} of ${count(all.all)} whole${all.choosy ? '; not all of them are wanted' : ''}.`),
    h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': 'List of files' }, h('table', {},
      h('thead', {}, h('tr', {}, h('th', { scope: 'col' }, 'File'), h('th', { scope: 'col' }, 'How whole'), h('th', { scope: 'col' }, 'Matters'))),
      h('tbody', {}, all.rows.map((f) => h('tr', {},
        h('td', {}, names[f.n] ?? f.label, h('br'), h('span', { class: 'quiet' }, bytes(f.bytes))), h('td', {}, lack(f)),
        h('td', {}, h('button', { type: 'button', 'aria-pressed': picked.has(f.n) ? 'true' : 'false', disabled: !rest, 'data-name': `file ${f.n}`,
          'aria-label': `${all.choosy && f.wanted ? 'wanted' : 'mark'} ${f.label}`, onclick: () => mark(f.n) }, all.choosy && f.wanted ? 'wanted' : 'mark'))))))),
    all.rows.length < all.all ? h('p', { class: 'quiet' }, `and ${count(all.all - all.rows.length)} more`) : '',
    h('div', { class: 'row' },
      h('button', { type: 'button', disabled: !rest || !picked.size, 'data-name': 'want', onclick: () => want([...picked]) }, 'Only the marked ones matter'),
      h('button', { type: 'button', disabled: !rest || !all.choosy, 'data-name': 'all', onclick: () => want([]) }, 'Everything matters')),
    rest ? '' : h('p', { class: 'quiet' }, 'What matters can be said when no pass runs.')];
}

function events(all) {
  if (!all?.length) return [];
  return [h('h2', {}, 'What happened'), h('ul', { class: 'events' }, all.map((e) => h('li', {},
    e.at.startsWith('0001') ? '' : h('time', { datetime: e.at }, new Date(e.at).toLocaleTimeString('en-GB')), e.text)))];
}

function keep(id) {
  const links = [['customer', `/report/${id}/customer`, 'Page for the customer'], ['bench', `/report/${id}/bench`, 'Report for the file of the job'],
    ['hours', `/report/${id}/hours`, 'Hours (CSV)', true], ['status', `/status/${id}`, 'Figures (JSON)', true]];
  return [h('h2', {}, 'To keep, print or send'), h('div', { class: 'row' }, links.map(([name, href, words, down]) =>
    h('a', { class: 'button', href, 'data-name': name, download: down, target: down ? false : '_blank', rel: 'noopener' }, words))),
    h('p', { class: 'quiet' }, 'The pages have names in them.')];
}
