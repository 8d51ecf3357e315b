// The scan check at the horse: send a scan, read the verdict, show the place; measures and landmarks of the open case.
import { make, place, table } from './elements.js';

const AXES = ['', '+x', '-x', '+y', '-y', '+z', '-z'];
const UNITS = ['', 'mm', 'cm', 'm', 'in'];
const DOTS = ['', 'red', 'yellow', 'green', 'cyan', 'blue', 'magenta'];

export const scanStep = (seen, acts) => [chooser(acts), seen.sending.map(sending), [...seen.scans].reverse().map(scan => row(scan, seen, acts)),
  seen.shown ? shown(seen, acts) : seen.case ? opened(seen, acts) : starts(seen, acts)];

const chooser = acts => {
  const input = make('input', { type: 'file', multiple: true, id: 'choose', 'data-key': 'choose' });
  input.addEventListener('change', () => { acts.files(input.files); input.value = ''; });
  return make('div.drop', {}, make('label.file', {}, input, 'Send a scan of a bare back'),
    make('p.quiet', {}, 'or drop the file here. PLY, OBJ, STL, GLB, USDZ, ZIP …, several horses one after another.'));
};

export const send = (file, seen, show, note) => {
  const going = { name: file.name, share: 0 };
  seen.sending = [...seen.sending, going];
  const request = new XMLHttpRequest();
  const done = text => { seen.sending = seen.sending.filter(one => one !== going); if (text) note(text); show(); };
  request.open('POST', `/scans?name=${encodeURIComponent(file.name)}`);
  request.upload.onprogress = event => { going.share = event.loaded / Math.max(event.total, 1); show(); };
  request.onload = () => {
    let said = null;
    try {
      const answer = JSON.parse(request.responseText);
      said = answer.refused;
      if (answer.number) seen.sent.add(answer.number);
    } catch { said = `the server answered ${request.status}`; }
    done(request.status === 200 ? '' : `${file.name}: ${said}`);
  };
  request.onerror = () => done(`${file.name}: the sending broke off (too large, or the connection went); nothing was kept`);
  request.send(file);
  show();
};

const sending = ({ name, share }) => make('div.scan', {}, make('h3', {}, name), make('progress', { value: share, max: 1, 'aria-label': `Sending ${name}` }));

const row = (scan, seen, acts) => make('div.scan', { 'data-scan': scan.number }, make('h3', {}, scan.name),
  scan.state === 'done' ? make('p.word', { role: 'status' }, scan.verdict[0].toUpperCase() + scan.verdict.slice(1))
    : make('p', { role: 'status' }, scan.state === 'refused' ? scan.text[0].toUpperCase() + scan.text.slice(1) : `${scan.text || 'waiting'} …`),
  scan.lines?.length ? make('ul', {}, scan.lines.map(text => make('li', {}, text))) : null,
  scan.state === 'done' ? make('div.row', {}, make('button', { type: 'button', 'data-key': `show ${scan.number}`, onclick: () => acts.ask({ do: 'scan-show', number: scan.number }) }, 'Show it, with the place'),
    scan.case ? make('a.file', { href: `/?case=${scan.case}` }, 'Open its case') : seen.hello?.cases.length ? caseOf(scan, acts) : null) : null,
  scan.state === 'refused' || scan.state === 'done' ? make('details', { open: scan.state === 'refused', 'data-key': `told ${scan.number}` }, make('summary', {}, 'What the scan does not say itself'), told(scan, acts)) : null);

const caseOf = (scan, acts) => {
  const name = make('input', { type: 'text', maxlength: 60, 'data-key': `horse ${scan.number}` });
  return make('div.ask-one', {}, make('label', {}, 'Horse’s name', name),
    make('button', { type: 'button', 'data-key': `case ${scan.number}`, onclick: () => acts.ask({ do: 'scan-case', number: scan.number, horse: name.value }) }, 'Lay the saddle on'));
};

const told = (scan, acts) => {
  const fields = {
    unit: write('Unit, or mm per unit', UNITS), up: choose('Up is', AXES), head: choose('Head looks to', AXES),
    'mark-withers': choose('Dot on the withers', DOTS), 'mark-shoulder': choose('Dots on the shoulders', DOTS),
    scanner: choose('Scanned with', ['', 'handheld', 'photos', 'lidar']),
    mirror: choose('Mirror image', ['', 'yes']),
  };
  for (const [key, label] of Object.entries(fields)) {
    const field = label.querySelector('select, input'), given = scan.told[key] ?? '';
    field.dataset.key = `${key} ${scan.number}`;
    if (field.tagName === 'INPUT') field.defaultValue = given;
    else for (const option of field.options) option.defaultSelected = option.selected = option.value === given;
  }
  const form = make('form.ask', {}, Object.entries(fields).map(([, label]) => label), make('button', { type: 'submit', 'data-key': `again ${scan.number}` }, 'Check again'));
  form.addEventListener('submit', event => {
    event.preventDefault();
    acts.ask({ do: 'scan-told', number: scan.number, told: Object.fromEntries(Object.entries(fields).map(([key, label]) => [key, label.querySelector('select, input').value])) });
  });
  return form;
};
const write = (words, options) => make('label', {}, words, make('input', { list: 'units', autocapitalize: 'none' }),
  make('datalist', { id: 'units' }, options.filter(Boolean).map(value => make('option', { value }))));
const choose = (words, options) => make('label', {}, words, make('select', {}, options.map(one => make('option', { value: one }, one || 'not told'))));

const measures = back => [
  table(back.build),
  make('details', { 'data-key': 'sections' }, make('summary', {}, 'Sections'), make('div.wide', {}, table(back.stations, ['Behind the withers', 'left', 'right', 'included', '30 mm', '50 mm', '100 mm', '150 mm', 'left falls away more']))),
  make('details', { 'data-key': 'sources' }, make('summary', {}, 'Where it comes from'), table(back.sources)),
];

const shown = ({ shown: scan, case: known }, acts) => [make('h2', {}, `Shown: ${scan.name}`), known ? make('div.row', {}, make('button', { type: 'button', 'data-key': 'return', onclick: acts.back }, `Back to ${known.horse}`)) : null, measures(scan.back)];

const opened = (seen, acts) => {
  const { back } = seen.case;
  return [make('h2', {}, 'This scan'), make('p.sentence', {}, back.check[0].toUpperCase() + back.check.slice(1)), make('ul', {}, back.messages.map(({ text }) => make('li', {}, text))),
    make('h2', {}, 'Landmarks'), make('p.quiet', {}, 'Drag a dot on the back, or move it here by 5 mm; the measures follow.'), landmarks(seen, acts), scale(seen, acts),
    make('div.row', {}, make('button', { type: 'button', 'data-key': 'keep-marks', onclick: () => acts.ask({ do: 'keep' }) }, 'Keep marks and scale in the case file')),
    make('h2', {}, 'Measures'), measures(back)];
};

const landmarks = (seen, acts) => make('table.nudge', { role: 'table' }, make('tbody', { role: 'rowgroup' }, seen.case.landmarks.map(({ name, source }, k) => {
  const [words, behind, , , sd] = seen.case.back.landmarks[name];
  const step = (mm, words) => make('button', { type: 'button', 'data-key': `${name} ${mm}`, 'aria-label': `${place(name)} 5 mm ${words}`, onclick: () => acts.ask({ do: 'nudge', place: name, back_mm: mm }) }, words);
  const fixed = ['croup', 'low'].includes(name);
  return make('tr', { 'data-landmark': name, role: 'row' }, make('th', { scope: 'row', role: 'rowheader' }, words), make('td', { role: 'cell' }, behind), make('td', { role: 'cell' }, `${source} ${sd}`),
    make('td', { role: 'cell' }, fixed ? '' : make('span.group', {}, step(-5, 'forward'), step(5, 'back'))));
})));

const scale = (seen, acts) => {
  if (!seen.pick) return make('div.row', {}, make('button', { type: 'button', 'data-key': 'scale', onclick: () => acts.pick(true) }, 'Set the scale by two points'));
  const distance = make('input', { type: 'text', placeholder: seen.units === 'in' ? '12 in' : '300 mm', 'data-key': 'distance', value: seen.distance ?? '' });
  distance.addEventListener('input', () => { seen.distance = distance.value; });
  return [make('p', { role: 'status' }, ['Touch the first of two points on the back.', 'Now touch the second.', 'Two points; how far apart are they on the horse?'][seen.pick.length]),
    make('div.ask-one', {}, make('label', {}, 'Measured on the horse', distance), make('button', { type: 'button', 'data-key': 'scale-set', disabled: seen.pick.length < 2,
      onclick: () => { acts.ask({ do: 'scale', a: seen.pick[0], b: seen.pick[1], distance: distance.value }); acts.pick(false); } }, 'Set'),
    make('button', { type: 'button', 'data-key': 'scale-off', onclick: () => acts.pick(false) }, 'Leave it'))];
};

const starts = ({ hello }, acts) => [
  hello?.cases.length ? [make('h2', {}, 'Cases'), make('ul.files', {}, hello.cases.map(one => make('li', {}, make('a', { href: `/?case=${one.case}` }, make('b', {}, one.name), make('span.quiet', {}, 'open')))))]
    : make('p.quiet', {}, `Scans are kept on this computer, in the folder ${hello?.folder ?? 'of the page'}. To lay your saddle on, start with a case: shimwright open my-horse/case.toml.`),
  hello?.yard.length ? [make('h2', {}, 'Or try it on an invented horse'), make('div.row', {}, hello.yard.map(horse =>
    make('button', { type: 'button', 'data-key': `demo ${horse}`, onclick: () => acts.ask({ do: 'demo', horse }) }, horse[0].toUpperCase() + horse.slice(1))))] : null,
];
