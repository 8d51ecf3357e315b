// The page: what the server tells goes into the view and the five steps; what a person does goes to the server.
import { drawn, fill, make } from './elements.js';
import { link } from './link.js';
import { handsStep } from './hands_step.js';
import { saddleStep } from './saddle_step.js';
import { scanStep, send } from './scan_step.js';
import { setupStep } from './setup_step.js';
import { sheetsStep } from './sheets_step.js';
import { View } from './view.js';

const by = id => document.getElementById(id);
const STEPS = { scan: scanStep, saddle: saddleStep, setup: setupStep, hands: handsStep, sheets: sheetsStep };
const seen = {
  units: localStorage.getItem('units') || 'mm', step: 'scan', mode: 'pressure', compare: 'one', saddle: false,
  hello: null, case: null, state: null, scans: [], shown: null, wanted: null, searching: false, making: false,
  pocket: null, lit: null, hand: '', pick: null, sending: [], sent: new Set(), files: [],
};
const begin = location.hash.slice(1);
const caseKey = new URLSearchParams(location.search).get('case') || '';

const view = new View(by('view'), {
  tapped: (point, which) => {
    if (seen.pick) { seen.pick = [...seen.pick, point].slice(-2); view.setPicked(seen.pick); show(); return; }
    if (seen.shown === null && seen.state) ask({ do: 'tap', point, side: which });
  },
  moved: (place, point) => { if (seen.shown === null) ask({ do: 'mark', place, point }); },
  moving: () => {},
});

const READ_MS = 12000;
const note = (text, stays) => {
  const made = make('div.note', {}, make('p', {}, text), make('button', { type: 'button', 'aria-label': 'Close this note', onclick: () => made.remove() }, '×'));
  by('notes').append(made);
  if (!stays) setTimeout(() => made.remove(), READ_MS);
  while (by('notes').children.length > 3) by('notes').firstChild.remove();
};

const ask = link(() => new URLSearchParams({ case: caseKey, units: seen.units }), message => heard[message.t]?.(message), fatal => {
  seen.searching = seen.making = false;
  by('busy').textContent = fatal ? '' : 'No connection to the server; trying again';
});

const heard = {
  hello: message => { seen.hello = message; if (!caseKey) show(); },
  pages: ({ count }) => { by('others').textContent = count > 1 ? `${count} pages show this horse together` : ''; },
  say: ({ text }) => { by('busy').textContent = text ? `${text[0].toUpperCase()}${text.slice(1)} …` : ''; },
  note: ({ text }) => note(text[0].toUpperCase() + text.slice(1)),
  refused: ({ text }) => { seen.wanted = null; by('busy').textContent = ''; note(text[0].toUpperCase() + text.slice(1), true); show(); },
  back: message => view.setBack(message),
  field: message => { if (seen.shown === null) { view.setField(message); legend(); } },
  lit: message => { view.light(message.finding === null ? null : message.nodes, message.rings); seen.hand = message.hand; show(); },
  case: message => {
    const first = !seen.case;
    seen.case = message;
    seen.files = message.files;
    seen.shown = null;
    by('horse').textContent = message.horse;
    by('tack').textContent = message.tack;
    document.title = `${message.horse} · fitting`;
    view.setColours(message.colours);
    view.setMarks(message.landmarks);
    if (first) go(begin in STEPS ? begin : 'saddle');
    show();
  },
  state: message => {
    if (seen.lit !== null && message.serial !== seen.state?.serial) seen.lit = null, view.light(null, []);
    seen.state = message;
    if (seen.wanted && JSON.stringify(seen.wanted) === JSON.stringify(message.setup)) seen.wanted = null;
    by('left-name').textContent = seen.compare === 'one' ? '' : message.beside.name;
    show();
  },
  search: ({ on }) => { seen.searching = on; show(); },
  place: message => tapped(message),
  sheets: ({ busy, files, fresh }) => { seen.making = busy; if (files) seen.files = files; if (fresh) note('The sheets are made.'); show(); },
  scans: ({ scans }) => {
    seen.scans = scans;
    news();
  },
  scan: message => {
    seen.shown = message;
    show();
    view.bare();
    view.rings = message.rings;
    view.setMarks(message.landmarks);
    view.look('above', [0.5, 1, 0.1]);
  },
  made: message => { location.href = `/?case=${message.case}`; },
};

const closePlace = () => { by('place').hidden = true; view.setPicked([]); };

const tapped = ({ title, rows, hands, point }) => {
  fill(by('place'), make('h2', {}, title), make('button.close', { type: 'button', 'aria-label': 'Close', onclick: closePlace }, '×'),
    make('table', {}, make('tbody', {}, rows.map(([name, what]) => make('tr', {}, make('th', { scope: 'row' }, name), make('td', {}, what))))),
    hands.length ? [make('h2', {}, 'The hand should feel'), make('table', {}, make('tbody', {}, hands.map(([name, what]) =>
      make('tr', {}, make('th', { scope: 'row' }, name), make('td', {}, what)))))] : null);
  by('place').hidden = false;
  view.setPicked(point ? [point] : []);
};

const legend = () => {
  const field = view.fields.now;
  if (!seen.case || !field || seen.shown !== null || !['gap', 'pressure'].includes(seen.mode)) { fill(by('legend')); return; }
  const colours = seen.case.colours[seen.mode === 'gap' ? 'signed' : 'pressure'];
  const wide = 220 / colours.length;
  const ends = seen.mode === 'gap'
    ? [`pressed ${seen.case.gap_shown}`, `${seen.case.trade.girthed}, nobody up`, `daylight ${seen.case.gap_shown}`] : ['light', '', `firm, ${field.top_kpa} kPa`];
  const below = seen.mode === 'gap' ? '' : 'rider up; the horse’s own colour: nothing touches';
  fill(by('legend'), drawn('svg', { viewBox: '0 0 480 40' },
    colours.map((paint, k) => drawn('rect', { x: 130 + k * wide, y: 4, width: wide + 0.6, height: 12, fill: paint })),
    drawn('text', { x: 124, y: 14, 'text-anchor': 'end' }, ends[0]), drawn('text', { x: 240, y: 32, 'text-anchor': 'middle' }, ends[1] || below),
    drawn('text', { x: 356, y: 14 }, ends[2])));
};

// One step of the work is open at a time; its buttons are built anew from what is known, but not under a finger.
let pressing = false, late = false;
addEventListener('pointerdown', () => { pressing = true; }, true);
for (const kind of ['pointerup', 'pointercancel', 'blur']) addEventListener(kind, () => setTimeout(() => {
  pressing = false;
  if (late) show();
}, 80), true);
const show = only => {
  tools();
  late = pressing;
  if (!pressing && (!only || only === seen.step)) fill(by(`step-${seen.step}`), STEPS[seen.step](seen, acts));
};
const tools = () => {
  const judged = seen.state?.judged, figure = name => judged.rows.find(row => row[0] === name)?.[1];
  by('brief').hidden = !judged || seen.step !== 'setup' || Boolean(seen.case?.gate);
  if (judged) by('brief').textContent = judged.broken.length ? `Breaks a limit: ${judged.broken.join(', ')}` : `${figure('Carries')} carries · ${figure('Sits')}`;
  for (const button of by('tools').querySelectorAll('button')) {
    const { show: mode, look, compare } = button.dataset;
    if (mode) button.setAttribute('aria-pressed', mode === seen.mode);
    if (compare) button.setAttribute('aria-pressed', compare === seen.compare);
    if ('saddle' in button.dataset) button.setAttribute('aria-pressed', seen.saddle);
    const ofBack = look || mode === 'bare' || mode === 'sections';
    button.disabled = ofBack ? !seen.state && seen.shown === null : !seen.state || seen.shown !== null;
  }
  by('left-name').textContent = seen.compare !== 'one' && seen.state ? seen.state.beside.name : '';
  by('right-name').textContent = seen.compare !== 'one' && seen.state ? 'now' : '';
  by('wipe').hidden = seen.compare !== 'slider';
  document.body.classList.toggle('empty', !caseKey && seen.shown === null);
};

const go = step => {
  seen.step = step;
  history.replaceState(null, '', `#${step}`);
  for (const tab of document.querySelectorAll('[role=tab]')) {
    const on = tab.dataset.step === step;
    tab.setAttribute('aria-selected', on);
    tab.tabIndex = on ? 0 : -1;
    by(`step-${tab.dataset.step}`).hidden = !on;
    if (!on) fill(by(`step-${tab.dataset.step}`));
  }
  if (step !== 'scan' && seen.shown !== null) acts.back();
  if (step !== 'scan') { seen.pick = null; view.setPicked([]); }
  view.show({ marks: step === 'scan' });
  show();
};

// A scan that this page sent is shown when it is judged; the verdict may come before the answer to the sending.
const news = () => {
  for (const { number, state } of seen.scans) if (state === 'done' && seen.sent.delete(number) && !caseKey) ask({ do: 'scan-show', number });
  show('scan');
};

const acts = {
  ask, note, show, go,
  set: setup => { seen.wanted = setup; if (!ask({ do: 'set', setup })) seen.wanted = null; show(); },
  pocket: name => { seen.pocket = name; show(); },
  light: number => { seen.lit = number; seen.hand = ''; if (number === null) view.light(null, []); ask({ do: 'light', finding: number }); show(); },
  pick: on => { seen.pick = on ? [] : null; view.setPicked([]); show(); },
  files: files => [...files].forEach(file => send(file, seen, news, note)),
  back: () => { view.rings = []; seen.shown = null; ask({ do: 'units', units: seen.units }); },
};

by('tools').addEventListener('click', event => {
  const button = event.target.closest('button');
  if (!button) return;
  const { show: mode, look, compare } = button.dataset;
  if (look) view.look(look);
  if (mode) seen.mode = mode;
  if (compare) seen.compare = compare;
  if ('saddle' in button.dataset) seen.saddle = !seen.saddle;
  view.show({ mode: seen.mode, compare: seen.compare, saddle: seen.saddle });
  legend();
  show();
});
by('wipe').addEventListener('input', event => view.show({ wipe: event.target.value / 1000 }));
by('steps').addEventListener('click', event => { const tab = event.target.closest('[role=tab]'); if (tab) go(tab.dataset.step); });
by('steps').addEventListener('keydown', event => {
  const tabs = [...document.querySelectorAll('[role=tab]')], at = tabs.indexOf(document.activeElement);
  const next = { ArrowRight: at + 1, ArrowLeft: at - 1, Home: 0, End: tabs.length - 1 }[event.key];
  if (next === undefined || at < 0) return;
  event.preventDefault();
  const tab = tabs[(next + tabs.length) % tabs.length];
  go(tab.dataset.step);
  tab.focus();
});
for (const button of document.querySelectorAll('[data-units]')) {
  const pressed = () => document.querySelectorAll('[data-units]').forEach(one => one.setAttribute('aria-pressed', one.dataset.units === seen.units));
  button.addEventListener('click', () => {
    seen.units = button.dataset.units;
    localStorage.setItem('units', seen.units);
    pressed();
    closePlace();  // what was touched was told in the other unit
    ask({ do: 'units', units: seen.units });
  });
  pressed();
}
for (const kind of ['dragover', 'drop']) addEventListener(kind, event => {
  event.preventDefault();
  if (kind === 'drop' && event.dataTransfer.files.length) { go('scan'); acts.files(event.dataTransfer.files); }
});
go(seen.step);
window.fitting = { view, seen }; // for tests and for the curious
