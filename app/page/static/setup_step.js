// Arch, insert and shims by hand; the search for the rest.
import { make, place } from './elements.js';
import { plan } from './plan.js';

const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);

export const setupStep = (seen, acts) => {
  const { case: known, state } = seen;
  if (!known || !state) return make('p.quiet', {}, 'Open a case, or make one from a scan: then its saddle and pad come here.');
  if (known.gate) return gate(known, acts);
  const setup = seen.wanted || state.setup;
  return [verdict(state), tools(seen, acts, setup), pocketPlan(seen, acts, setup), pocketChoice(seen, acts, setup),
    choice('Front arch', 'arch', known.arches, setup, state, acts), choice('Insert', 'insert', known.inserts, setup, state, acts),
    figures(state, acts)];
};

const gate = (known, acts) => [
  make('p.head', {}, known.why),
  make('p', {}, 'That is the answer for today. A set-up is worked out only if you ask for it all the same, and its sheets are headed so.'),
  make('button', { type: 'button', 'data-key': 'anyway', onclick: () => acts.ask({ do: 'anyway' }) }, 'Show a set-up anyway'),
];

export const verdict = ({ judged }) => make('div.verdict', { role: 'status', 'aria-live': 'polite' },
  make('p.sentence', {}, judged.sentence), judged.settled ? null : make('p.quiet', {}, 'working out the exact figures …'),
  judged.notes.map(text => make('p.quiet', {}, text)));

const tools = (seen, acts, setup) => make('div.row', {},
  seen.searching
    ? make('button', { type: 'button', 'data-key': 'best', onclick: () => acts.ask({ do: 'stop' }) }, 'Stop the search')
    : make('button.main', { type: 'button', 'data-key': 'best', onclick: () => acts.ask({ do: 'best' }) }, 'Find the best'),
  make('button', { type: 'button', 'data-key': 'undo', disabled: !seen.state.undo, onclick: () => acts.ask({ do: 'undo' }) }, 'Undo'),
  make('button', { type: 'button', 'data-key': 'empty', disabled: Object.values(setup.pockets).every(held => !held.length),
    onclick: () => acts.set({ ...setup, pockets: Object.fromEntries(Object.keys(setup.pockets).map(name => [name, []])) }) }, 'All shims out'));

const pocketPlan = (seen, acts, setup) => {
  const { case: known, state } = seen;
  if (!known.pockets.length) return make('p.quiet', {}, 'This pad has no pockets.');
  const held = Object.fromEntries(Object.entries(setup.pockets).map(([name, layers]) => {
    const stack = known.stacks.find(one => same(one.layers, layers)) || { big: '?', words: 'a stack of its own' };
    return [name, { ...stack, fixed: state.fixed.includes(`pocket:${name}`) }];
  }));
  const chosen = seen.pocket || known.pockets[0].name;
  return make('div', { id: 'plan' }, plan(known.plan, state.plan, held, state.judged.feels, chosen, acts.pocket),
    make('p.quiet', {}, seen.units === 'in' ? 'Shims in eighths of an inch. Touch a pocket to change it.' : 'Shims in mm. Touch a pocket to change it.'));
};

const pocketChoice = (seen, acts, setup) => {
  const { case: known, state } = seen, name = seen.pocket || known.pockets[0]?.name;
  if (!name) return null;
  const put = layers => acts.set({ ...setup, pockets: { ...setup.pockets, [name]: layers } });
  const at = known.stacks.findIndex(one => same(one.layers, setup.pockets[name]));
  const step = by => make('button', { type: 'button', 'data-key': `step ${by}`, 'aria-label': by > 0 ? `Thicker, ${place(name)}` : `Thinner, ${place(name)}`,
    disabled: !known.stacks[at + by], onclick: () => put(known.stacks[at + by].layers) }, by > 0 ? '+' : '−');
  return make('div.choice', {}, make('div', {}, make('h3', {}, `Pocket ${place(name)}`),
    make('div.chips', { role: 'group', 'aria-label': `Shims in pocket ${place(name)}` }, step(-1), step(1), known.stacks.map(({ layers, words, of }) =>
      make('button', { type: 'button', 'data-key': `stack ${words}${of}`, 'aria-pressed': String(same(layers, setup.pockets[name])), onclick: () => put(layers) },
        words === '–' ? 'none' : words, of ? make('small', {}, of) : null)))),
  keep(state.fixed.includes(`pocket:${name}`), `pocket:${name}`, `pocket ${place(name)}`, acts));
};

const keep = (on, what, words, acts) => make('button', { type: 'button', 'data-key': `keep ${what}`, 'aria-pressed': String(on), 'aria-label': `Keep ${words} as it is`,
  onclick: () => acts.ask({ do: 'fix', what, on: !on }) }, on ? 'kept' : 'keep');

const choice = (title, what, list, setup, state, acts) => list.length ? make('div.choice', {}, make('div', {}, make('h3', {}, title),
  make('div.chips', { role: 'group', 'aria-label': title }, list.map(({ name, words }) =>
    make('button', { type: 'button', 'data-key': `${what} ${name}`, 'aria-pressed': String(setup[what] === name), onclick: () => acts.set({ ...setup, [what]: name }) },
      name, make('small', {}, words))))), keep(state.fixed.includes(what), what, title.toLowerCase(), acts)) : null;

const figures = ({ judged, beside }, acts) => {
  const before = Object.fromEntries(beside.rows);
  const rows = judged.rows.map(([name, now]) => make('tr', {}, make('th', { scope: 'row' }, name),
    make('td', {}, before[name] ?? ''), make(before[name] === now ? 'td' : 'td.changed', {}, now)));
  return [make('h2', {}, 'Beside one another'), make('table', { id: 'figures' }, make('thead', {}, make('tr', {}, make('th', {}, ''),
    make('th', { scope: 'col' }, beside.name), make('th', { scope: 'col' }, 'now'))), make('tbody', {}, rows)),
  make('p.quiet', {}, `${beside.name[0].toUpperCase()}${beside.name.slice(1)}: ${beside.words}`),
  make('div.row', {}, make('button', { type: 'button', 'data-key': 'keep-now', onclick: () => acts.ask({ do: 'beside', what: 'keep' }) }, 'Keep this one to compare'),
    beside.kept ? make('button', { type: 'button', 'data-key': 'beside', onclick: () => acts.ask({ do: 'beside', what: beside.name === 'kept' ? 'as found' : 'kept' }) },
      beside.name === 'kept' ? 'Compare with as found' : 'Compare with the kept one') : null)];
};
