// What is drawn is made of elements and text, never of markup: names from discs and notes
// stay text whatever is in them.

// h makes an element: h('p', {class: 'far'}, 'text', another element, …). What begins
// with on is a listener; false, null and undefined are left out.
export function h(name, attributes = {}, ...children) {
  const e = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === false || value === null || value === undefined) continue;
    if (key.startsWith('on')) e.addEventListener(key.slice(2), value);
    else e.setAttribute(key, value === true ? '' : value);
  }
  e.append(...children.flat().filter((c) => c !== null && c !== undefined && c !== false));
  return e;
}

// zone fills an element anew where what it is made of has changed, and only then, so that
// a button does not go away under a finger. The focus stays where it was, by data-name.
export function zone(e, of, build) {
  const key = JSON.stringify(of);
  if (e.key === key) return;
  e.key = key;
  const name = e.contains(document.activeElement) ? document.activeElement.dataset.name : null;
  const made = build();
  e.replaceChildren(...(Array.isArray(made) ? made : [made]).filter(Boolean));
  if (name) e.querySelector(`[data-name="${CSS.escape(name)}"]`)?.focus();
}

const whole = new Intl.NumberFormat('en');

// count is a number with a comma at every third digit.
export function count(n) { return whole.format(n); }

// bytes is an amount of data.
export function bytes(n) {
  if (n < 1e3) return n === 1 ? '1 byte' : `${n} bytes`;
  if (n < 999.5e3) return `${(n / 1e3).toFixed(0)} kB`;
  if (n < 999.95e6) return `${(n / 1e6).toFixed(1)} MB`;
  return `${(n / 1e9).toFixed(2)} GB`;
}

// lasted is a time that has passed, in seconds.
export function lasted(s) {
  if (s < 120) return `${s < 10 ? s.toFixed(1) : s.toFixed(0)} s`;
  if (s < 5400) return `${Math.round(s / 60)} min`;
  return `${Math.floor(s / 3600)} h ${Math.round((s % 3600) / 60)} min`;
}

// percent is a part of a whole, from 0 to 1: 100 only where nothing is missing.
export function percent(part) {
  if (part >= 1) return '100 %';
  return part <= 0 ? '0 %' : `${Math.min(99.9, Math.max(0.1, part * 100)).toFixed(1)} %`;
}
