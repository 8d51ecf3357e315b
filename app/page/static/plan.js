// The horse from above, head up, with the saddle and its pockets: the place where a set-up is changed.
import { drawn, place } from './elements.js';

const HEAD_UP = 'matrix(0 -1 -1 0 0 0)'; // back frame (forward, left) → paper (right, down)
const points = list => list.map(([x, y]) => `${x},${y}`).join(' ');
const middle = list => [0, 1].map(k => (Math.min(...list.map(p => p[k])) + Math.max(...list.map(p => p[k]))) / 2);

export const plan = (back, tack, pockets, feels, chosen, choose) => {
  const outline = back.outline, all = [...tack.panels.flat(), ...Object.values(tack.pockets).flat()];
  const top = Math.max(...all.map(p => p[0])) + 95, low = Math.min(...all.map(p => p[0])) - 60;
  const wide = Math.max(...outline.filter(p => p[0] < top && p[0] > low).map(p => Math.abs(p[1]))) + 8;
  const side = Math.min(wide, 330);
  const text = (x, y, words, given = {}) => drawn('text', { x: -y, y: -x, ...given }, words);
  const pocket = ({ name }) => {
    const ring = tack.pockets[name], held = pockets[name], [x, y] = middle(ring);
    const label = `${place(name)}: ${held.words}${held.fixed ? ', kept' : ''}`;
    const act = event => {
      if (event.type === 'keydown' && event.key !== 'Enter' && event.key !== ' ') return;
      event.preventDefault();
      choose(name);
    };
    return drawn('g', {
      class: `pocket${held.big === '–' ? '' : ' full'}`, role: 'button', tabindex: 0, 'aria-label': label,
      'aria-pressed': chosen === name, 'data-key': `pocket ${name}`, 'data-pocket': name, onclick: act, onkeydown: act,
    }, drawn('polygon', { points: points(ring), transform: HEAD_UP }),
    text(x + (held.fixed ? 9 : 0), y, held.big), held.fixed ? text(x - 26, y, 'kept', { class: 'word' }) : []);
  };
  const edges = Object.entries(back.marks).map(([name, line]) => [
    drawn('polyline', { class: 'edge', points: points(line), transform: HEAD_UP }),
    text(line[0][0] + 14, Math.sign(line[1][1]) * (side - 8), name.startsWith('shoulder') ? 'shoulder edge' : 'last rib', { class: `word ${name.endsWith('left') ? 'start' : 'end'}` })]);
  return drawn('svg', { viewBox: `${-side} ${-top} ${2 * side} ${top - low}`, role: 'group', 'aria-label': 'Saddle and pockets from above, head up' },
    drawn('polygon', { class: 'horse', points: points(outline), transform: HEAD_UP }),
    drawn('polyline', { class: 'spine', points: points(back.spine), transform: HEAD_UP }), edges,
    tack.panels.map(ring => drawn('polygon', { class: 'panel', points: points(ring), transform: HEAD_UP })),
    Object.keys(tack.pockets).map(name => pocket({ name })),
    text(top - 20, 0, 'head', { class: 'word' }),
    text(low + 18, side - 12, 'left (near)', { class: 'word start' }),
    text(low + 18, -side + 12, 'right (off)', { class: 'word end' }));
};
