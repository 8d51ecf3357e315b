// Elements made without markup in strings: whatever came from a file stays text.
export const make = (tag, given = {}, ...inside) => {
  const [name, ...classes] = tag.split('.');
  const made = document.createElement(name);
  if (classes.length) made.className = classes.join(' ');
  for (const [key, value] of Object.entries(given)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith('on')) made.addEventListener(key.slice(2), value);
    else made.setAttribute(key, value === true ? '' : value);
  }
  made.append(...inside.flat(Infinity).filter(one => one !== null && one !== undefined && one !== false));
  return made;
};

export const drawn = (tag, given = {}, ...inside) => {
  const made = document.createElementNS('http://www.w3.org/2000/svg', tag);
  for (const [key, value] of Object.entries(given)) {
    if (key.startsWith('on')) made.addEventListener(key.slice(2), value);
    else if (value !== undefined && value !== null) made.setAttribute(key, value);
  }
  made.append(...inside.flat(Infinity));
  return made;
};

export const table = (rows, head) => make('table', {},
  head ? make('thead', {}, make('tr', {}, head.map(text => make('th', { scope: 'col' }, text)))) : null,
  make('tbody', {}, rows.map(([name, ...cells]) =>
    make('tr', {}, make('th', { scope: 'row' }, name), cells.map(text => make('td', {}, text))))));

const edited = one => one.tagName === 'SELECT' ? [...one.options].some(option => option.selected !== option.defaultSelected) : one.value !== one.defaultValue;

// Puts new content in place; the control that had the focus keeps it, and what was typed or opened stays.
export const fill = (holder, ...inside) => {
  const typed = [...holder.querySelectorAll('input[data-key], select[data-key]')].filter(one => one.type !== 'file' && edited(one)).map(one => [one.dataset.key, one.value]);
  const had = holder.contains(document.activeElement) ? document.activeElement.dataset.key : undefined;
  const open = new Set([...holder.querySelectorAll('details[open]')].map(one => one.dataset.key));
  holder.replaceChildren(...inside.flat(Infinity).filter(one => one !== null && one !== undefined && one !== false));
  for (const one of holder.querySelectorAll('details')) if (open.has(one.dataset.key)) one.open = true;
  for (const [key, value] of typed) {
    const again = holder.querySelector(`[data-key="${CSS.escape(key)}"]`);
    if (again) again.value = value;
  }
  if (had) holder.querySelector(`[data-key="${CSS.escape(had)}"]`)?.focus({ preventScroll: true });
};

// What the record has of this visit; where it has nothing, keeping it is offered.
export const record = ({ state, files }, acts) => make('div.record', {}, make('p.quiet', { role: 'status' }, state.record.words),
  !state.record.offer ? null : files.includes('fit.json') ? make('button', { type: 'button', 'data-key': 'record', onclick: () => acts.ask({ do: 'record' }) }, 'Keep this visit in the record')
    : make('p.quiet', {}, 'Once its sheets are made, this visit can be kept there.'));

export const place = name => name.replaceAll('_', ' ');
