// The same files as the command `fit` writes, beside the case.
import { make, record } from './elements.js';
import { verdict } from './setup_step.js';

const WHAT = {
  'client.pdf': 'For the owner, to print', 'client.html': 'For the owner, on a screen', 'fitter.pdf': 'For the fitter',
  'tack-card.pdf': 'Tack card', 'templates-a4.pdf': 'Shims at full size, A4', 'templates-letter.pdf': 'Shims at full size, Letter',
  'cutlist.pdf': 'Cut list', 'cutlist.csv': 'Cut list as a table', 'fit.json': 'Everything as data',
};

export const sheetsStep = (seen, acts) => {
  const { state } = seen, key = new URLSearchParams(location.search).get('case');
  if (!state) return make('p.quiet', {}, 'Open a case first.');
  const choose = make('select', { id: 'workshop', 'data-key': 'workshop', 'aria-label': 'Templates for' },
    [['van', 'scissors, at the van'], ['laser', 'a cutter (DXF, SVG too)'], ['maker', 'a saddle maker']].map(([value, words]) => make('option', { value, selected: seen.workshop === value }, words)));
  choose.addEventListener('change', () => { seen.workshop = choose.value; });
  return [
    seen.case.gate ? make('p.head', {}, seen.case.why) : null, verdict(state), make('p.quiet', {}, state.words),
    make('div.row', {}, choose, make('button.main', { type: 'button', 'data-key': 'make', disabled: seen.making || !state.judged.settled,
      onclick: () => acts.ask({ do: 'sheets', for: choose.value }) }, seen.making ? 'Making the sheets …' : 'Make the sheets')),
    seen.files.length ? make('ul.files', {}, seen.files.map(name => make('li', {}, make('a', { href: `/case/${key}/${name}`, download: '', 'data-file': name },
      make('b', {}, WHAT[name] || name), make('span.quiet', {}, name))))) : make('p.quiet', {}, 'No sheets yet. They are written beside the case, as by the command fit.'),
    record(seen, acts),
  ];
};
