// All jobs, and the drives.

import { h, zone } from './dom.js';
import { act } from './act.js';

// drawBench draws the view.
export function drawBench(main, page) {
  if (!main.querySelector('#drives')) {
    main.replaceChildren(h('div', { id: 'drives' }), h('div', { id: 'jobs' }));
  }
  const feed = page.feed;
  const drives = feed.get('drives');
  zone(main.querySelector('#drives'), [drives, feed.get('next'), names(page), jobNames(page, drives ?? [])], () => drawDrives(page, drives));
  const jobs = feed.get('jobs') ?? [];
  zone(main.querySelector('#jobs'), [jobs.map((id) => feed.get(`job/${id}`)), names(page)], () => [
    h('h1', {}, jobs.length ? 'Jobs' : 'No job yet'),
    h('ul', { class: 'cards' }, jobs.map((id) => card(id, feed.get(`job/${id}`), page))),
  ]);
}

function names(page) { return page.names && Object.fromEntries(Object.entries(page.names).map(([id, n]) => [id, n.case])); }

function jobNames(page, drives) {
  return drives.flatMap((d) => [...(d.same ?? []), ...(d.like ?? []), d.job]).map((id) => page.feed.get(`job/${id}`)?.job);
}

// nameOf is a job's number, and its name where names are shown.
export function nameOf(id, row, page) {
  const name = page.names?.[id]?.case;
  return name ? `${row.job}: ${name}` : row.job;
}

function card(id, row, page) {
  if (!row) return '';
  const part = row.all ? row.good / row.all : 0;
  return h('li', { class: 'card' },
    h('h2', {}, h('a', { href: `#/job/${id}`, 'data-name': id }, nameOf(id, row, page))),
    h('p', { class: 'now' }, row.line.now), bar(part), h('p', {}, row.line.far), h('p', {}, row.line.next),
    h('dl', { class: 'facts' }, fact('Whole', row.whole), fact('Last round', row.last)));
}

function fact(name, value) { return value ? h('div', {}, h('dt', {}, name), h('dd', {}, value)) : ''; }

// bar draws how much is there; the words beside it say it too.
export function bar(part) {
  const good = h('div', { class: part > 0 ? 'good' : 'good none' });
  good.style.width = `${Math.min(100, part * 100)}%`;
  return h('div', { class: 'bar', 'aria-hidden': 'true' }, good);
}

function drawDrives(page, drives) {
  if (!drives) return [h('p', { class: 'quiet' }, 'Looking at the drives …')];
  if (!drives.length) return [h('section', {}, h('p', {}, 'No optical drive is found. Is one connected, and switched on?'))];
  return [h('h1', {}, 'Drives'), h('ul', { class: 'cards' }, drives.map((d) => drive(d, page, drives)))];
}

function drive(d, page, drives) {
  const job = (id) => page.feed.get(`job/${id}`);
  const to = (id) => h('a', { class: 'button', href: `#/job/${id}`, 'data-name': `${d.id} ${id}` }, `Open ${job(id)?.job ?? 'the job'}`);
  const parts = [h('h2', {}, d.name)];
  if (d.job) return h('li', { class: 'card' }, parts, h('p', {}, 'It reads.'), to(d.job));
  if (d.problem) return h('li', { class: 'card' }, parts, h('p', {}, d.problem));
  if (!d.disc) return h('li', { class: 'card' }, parts, h('p', {}, 'No disc lies in it. Put one in, dry and free of dust.'));
  const known = [...(d.same ?? []), ...(d.like ?? [])];
  if (known.length) {
    parts.push(h('p', {}, d.same?.length ? 'Its disc is known.' : 'Its disc may be that of:'), h('div', { class: 'row' }, known.map(to)));
  } else parts.push(h('p', {}, 'A disc that is in no job yet lies in it.'));
  const waiting = drives.filter((o) => o.disc && !o.job && !o.same?.length && !o.like?.length);
  return h('li', { class: 'card' }, parts, fresh(d, page, waiting.length === 1 && waiting[0] === d));
}

// fresh offers a new job for the disc in a drive. go marks the button that Space presses.
function fresh(d, page, go) {
  const field = h('input', { type: 'text', id: `name-${d.id}`, maxlength: 60, autocomplete: 'off', placeholder: page.feed.get('next') ?? '', 'data-name': `field ${d.id}` });
  const make = async (crack) => {
    const r = await act('new', { drive: d.id, name: field.value.trim(), crack });
    if (r.case) location.hash = `#/job/${r.case}`;
  };
  return h('div', {},
    h('p', { class: 'cautions' }, 'Hold it against the light first. A cracked disc, often cracked at the hub, can burst in the drive.'),
    h('p', {}, h('label', { for: `name-${d.id}` }, 'Job name, if it should have one '), field),
    h('div', { class: 'large' },
      h('button', { type: 'button', class: go ? 'go' : '', 'data-name': `new ${d.id}`, onclick: () => make('') }, 'New job: read it'),
      h('button', { type: 'button', 'data-name': `crack ${d.id}`, onclick: () => make('yes') }, 'It is cracked')));
}
