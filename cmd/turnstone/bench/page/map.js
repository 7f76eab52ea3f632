// The damage map: the pictures that package chart draws, turned as it is wanted.

import { h } from './dom.js';

const step = 30; // degrees of a turn: an hour of the clock

// drawMap draws the map of a case.
export function drawMap(id, map, page) {
  if (!map) return [];
  if (!map.sheets.length) return [h('h2', {}, 'Damage map'), h('p', {}, map.text)];
  const sheet = map.sheets.find((s) => s.name === page.sheet) ?? map.sheets[0];
  const src = (down) => `/map/${id}?sheet=${encodeURIComponent(sheet.name)}&turn=${page.turn}&side=${page.side}&v=${map.version}${down ? '&download=1' : ''}`;
  const set = (change) => { Object.assign(page, change); page.redraw(); };
  const turn = (by) => set({ turn: (page.turn + by + 360) % 360 });
  const button = (name, words, label, onclick, pressed) =>
    h('button', { type: 'button', 'data-name': name, 'aria-label': label, 'aria-pressed': pressed, onclick }, words);
  return [h('h2', {}, 'Damage map'),
    map.sheets.length > 1 ? h('div', { class: 'row' }, map.sheets.map((s) =>
      button(`sheet ${s.name}`, s.title, null, () => set({ sheet: s.name }), s === sheet ? 'true' : 'false'))) : '',
    h('figure', {}, h('img', { src: src(false), id: 'map', width: 760, height: 760, alt: `${sheet.title}. The text below says what it shows.` })),
    h('div', { class: 'row' },
      button('left', '↺ 30°', 'Turn the map counter-clockwise by 30 degrees', () => turn(-step)),
      button('right', '↻ 30°', 'Turn the map clockwise by 30 degrees', () => turn(step)),
      button('side', page.side === 'read' ? 'See the label side' : 'See the reading side', null, () => set({ side: page.side === 'read' ? 'label' : 'read' })),
      h('a', { class: 'button', href: src(true), 'data-name': 'keep map', download: true }, 'Keep this picture')),
    h('details', {}, h('summary', { 'data-name': 'text' }, 'The map as text'), h('pre', { tabindex: 0 }, map.text))];
}
