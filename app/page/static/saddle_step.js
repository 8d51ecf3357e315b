// The saddle on the horse: how it sits and bears, and why.
import { make, table } from './elements.js';
import { verdict } from './setup_step.js';

export const saddleStep = (seen, acts) => {
  const { case: known, state } = seen;
  if (!known || !state) return make('p.quiet', {}, known ? 'The saddle is being laid on …' : 'No case is open. Send a scan in step 1, or start with a case.');
  return [
    known.gate ? make('p.head', {}, known.why) : null,
    make('h2', {}, state.as_found ? 'As found' : 'With this set-up'), verdict(state), make('p.quiet', {}, state.words),
    make('h2', {}, 'Why'), why(seen, acts),
    make('h2', {}, 'Figures, rider up'), table(state.judged.rows), feels(state.judged.feels, known.trade.panel),
    known.arches.length ? [make('h2', {}, 'Arches on this back'), table(known.arches.map(({ name, words }) => [name, words]))] : null,
    make('p.quiet', {}, 'Touch the back or the saddle in the picture: daylight, pressure, every layer, angle, and what the hand will feel.'),
  ];
};

const why = (seen, acts) => seen.state.findings.length ? make('ul.why', {}, seen.state.findings.map(({ words, figure, helps }, number) =>
  make('li', {}, make('button', { type: 'button', 'data-key': `finding ${number}`, 'aria-pressed': String(seen.lit === number), onclick: () => acts.light(seen.lit === number ? null : number) },
    make('b', {}, words), make('i', {}, figure), make('span', {}, helps), seen.lit === number && seen.hand ? make('em', {}, seen.hand) : null))))
  : make('p', {}, 'Nothing stands out.');

const feels = (zones, panel) => make('div', {}, make('h2', {}, `Under the ${panel} a hand would feel`), table(['front', 'middle', 'rear']
  .map(third => [third, zones[`${third}_left`] ?? 'not seen', zones[`${third}_right`] ?? 'not seen']), ['', 'left (near)', 'right (off)']));
