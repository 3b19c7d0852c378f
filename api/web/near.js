// How near the reading is to the turning point sought: a ball in a hollow (a
// smallest reading) or on a hump (a largest one), drawn so that it can be judged
// from two metres, with the distance in words beside it.
import { byId, setText } from './dom.js';
import { micro } from './format.js';

const NS = 'http://www.w3.org/2000/svg';
const W = 200, H = 106, RUN = 84, DEPTH = 60, BALL = 13;

/** Height of the curve at x of −1 to 1; a hollow opens upwards, a hump downwards. */
const curve = (x, sense) => (sense === 'min' ? H - 12 - DEPTH * x * x : H - 12 - DEPTH * (1 - x * x));

function el(name, attrs) {
  const e = document.createElementNS(NS, name);
  for (const [k, v] of Object.entries(attrs)) e.setAttribute(k, v);
  return e;
}

export class Nearness {
  constructor(box) {
    this.box = box;
    this.svg = box.querySelector('svg');
    this.svg.setAttribute('viewBox', `0 0 ${W} ${H}`);
    this.line = el('path', { class: 'curve' });
    this.aim = el('path', { class: 'aim' });
    this.balls = [el('circle', { r: BALL, class: 'ball' }), el('circle', { r: BALL, class: 'ball' })];
    this.svg.append(this.line, this.aim, ...this.balls);
    this.sense = '';
    this.show(null);
  }

  /** Shows a nearness as the live frame gives it; null if nothing is sought. */
  show(near) {
    this.box.classList.toggle('none', !near);
    for (const b of this.balls) b.style.display = near ? '' : 'none';
    if (!near) {
      setText(byId('near-distance'), '');
      setText(byId('near-words'), 'Nothing is sought now.');
      setText(byId('near-side'), '');
      this.box.classList.remove('at');
      return;
    }
    if (near.sense !== this.sense) this.draw(near.sense);
    const off = 1 - Math.min(1, Math.max(0, near.closeness));
    const known = near.side === 'before' || near.side === 'past';
    const side = near.side === 'past' ? 1 : -1;
    this.balls.forEach((b, i) => {
      const s = i === 0 ? side : -side;
      b.style.display = i === 0 || !known && off > 0.02 ? '' : 'none';
      b.classList.toggle('maybe', !near.passed || !known && off > 0.02);
      const x = s * off;
      b.setAttribute('cx', W / 2 + RUN * x);
      b.setAttribute('cy', curve(x, near.sense) - BALL - 2);
    });
    // Before the first pass every reading on the way there is the best so far.
    const best = near.closeness > 0.97, at = best && near.passed;
    const word = near.sense === 'min' ? 'smallest' : 'largest';
    setText(byId('near-distance'), at ? `At the ${word}` : best ? `${near.sense === 'min' ? 'Smallest' : 'Largest'} yet` : micro(near.away_mm));
    setText(byId('near-words'), at ? 'so far' : best ? 'not passed for certain: move on over it' : `${near.sense === 'min' ? 'above' : 'below'} the ${word} so far`);
    setText(byId('near-side'), near.side_text ?? '');
    this.box.classList.toggle('at', at);
  }

  draw(sense) {
    this.sense = sense;
    let d = '';
    for (let i = -20; i <= 20; i++) d += `${i === -20 ? 'M' : 'L'}${W / 2 + RUN * i / 20} ${curve(i / 20, sense).toFixed(1)}`;
    this.line.setAttribute('d', d);
    const y = curve(0, sense);
    this.aim.setAttribute('d', `M${W / 2} ${y + 3}v8M${W / 2 - 7} ${y + 11}h14`);
  }
}
