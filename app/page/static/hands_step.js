// What the hand should feel, place by place, and whether it did.
import { make, record } from './elements.js';

export const handsStep = (seen, acts) => {
  const { state } = seen;
  if (!state) return make('p.quiet', {}, 'Open a case first.');
  if (!state.hands) return make('p.quiet', {}, 'Working out what the hand should feel …');
  const keys = state.hands.flatMap(({ places }) => places.flatMap(({ cells }) => cells.map(cell => cell.key)));
  const said = keys.map(key => state.felt[key]).filter(one => one !== undefined);
  return [
    make('p', {}, `Press the seat down with one hand; slide the other in flat, palm to the horse, from above down, then along under the ${seen.case.trade.panel} front to rear, the same order on both sides; look for daylight along the channel.`),
    make('p.quiet', { role: 'status' }, said.length ? `${said.filter(Boolean).length} of ${said.length} felt as told.` : 'Nothing ticked yet.'),
    state.hands.map(({ state: when, places }) => [make('h2', {}, when[0].toUpperCase() + when.slice(1)), rows(places, state.felt, acts)]),
    record(seen, acts),
  ];
};

const rows = (places, felt, acts) => make('table.hands', {}, make('thead', {}, make('tr', {}, make('th', {}, ''),
  make('th', { scope: 'col' }, 'left (near)'), make('th', { scope: 'col' }, 'right (off)'))),
make('tbody', {}, places.map(({ place, cells }) => make('tr', {}, make('th', { scope: 'row' }, place),
  cells.map(one => make('td', { colspan: cells.length === 1 ? 2 : undefined }, cell(place, one, felt[one.key], acts)))))));

const cell = (place, { key, side, feel, gap }, right, acts) => {
  const tick = (value, words) => make('button', { type: 'button', 'data-key': `${key} ${words}`, 'aria-pressed': String(right === value),
    'aria-label': `${place}${side === 'none' ? '' : ` ${side}`}, told ${feel}: ${words}`,
    onclick: () => acts.ask({ do: 'tick', key, right: right === value ? null : value }) }, words);
  return make('div.feel', {}, make('p', {}, make('b', {}, feel), gap ? make('small', {}, gap) : null), make('div.group', {}, tick(true, 'yes'), tick(false, 'no')));
};
