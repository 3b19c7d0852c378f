// Where a work ring is measured: one middle diameter, heights by directions, or a
// list of one's own.
import { h, field, show } from './dom.js';
import { prefs } from './format.js';

const plans = [
  ['grid', 'Heights × directions'],
  ['middle', 'One middle diameter, marked direction'],
  ['list', 'Own list of positions'],
];

/**
 * Numbers with spaces between. A comma inside a number is refused, for it could mean
 * two things, unless it is the decimal sign of the place.
 */
const numbers = (text) => (prefs.decimal === ',' ? text.replace(/(\d),(?=\d)/g, '$1.') : text).trim().split(/,?\s+|;\s*/).filter(Boolean).map((t) => (/^\d+(\.\d+)?$/.test(t) ? Number(t) : NaN));
const bad = (list) => list.length === 0 || list.some((n) => !Number.isFinite(n));
const refused = (what, text) => `${what} must be numbers with spaces between and a decimal point, not “${text}”.`;

/** The fields of one work ring's plan. preset: plan, heights, directions, middle, list. */
export function planFields(preset) {
  const plan = h('select', { class: 'plan' }, plans.map(([id, name]) => h('option', { value: id }, name)));
  plan.value = plans.some(([id]) => id === preset.plan) ? preset.plan : 'grid';
  const input = (cls, value) => h('input', { type: 'text', required: true, class: cls, inputmode: 'decimal', value });
  const list = h('textarea', { class: 'list', rows: 4 });
  list.value = preset.list ?? '5 0\n5 90';
  const parts = {
    grid: [field('Heights / mm', input('heights', preset.heights ?? '10'), 'From the datum face, e.g. 5 10 15'), field('Directions / °', input('directions', preset.directions ?? '0'), 'From the mark, e.g. 0 90')],
    middle: [field('Height of the middle / mm', input('middle', preset.middle ?? '10'), 'From the datum face; measured at the mark, 0°')],
    list: [field('Positions: height / mm and direction / °', list, 'One a line, in the order of measuring, e.g. 10.5 90')],
  };
  const choose = () => {
    for (const [id, fields] of Object.entries(parts)) for (const f of fields) show(f, id === plan.value);
  };
  plan.addEventListener('change', choose);
  choose();
  return [field('Plan', plan), ...Object.values(parts).flat()];
}

/** What the fields in a row say: positions, faults in words, and the text to be remembered. */
export function planOf(row) {
  const text = Object.fromEntries(['plan', 'heights', 'directions', 'middle', 'list'].map((c) => [c, row.querySelector('.' + c).value]));
  const faults = [];
  let positions = [];
  const at = (height_mm, direction_deg) => ({ height_mm, direction_deg });
  switch (text.plan) {
    case 'middle': {
      const m = numbers(text.middle);
      if (bad(m) || m.length > 1) faults.push(`the height of the middle must be one number, not “${text.middle}”.`);
      else positions = [at(m[0], 0)];
      break;
    }
    case 'list':
      text.list.split('\n').map((l) => l.trim()).filter(Boolean).forEach((line, i) => {
        const pair = numbers(line);
        if (bad(pair) || pair.length !== 2) faults.push(`line ${i + 1} of the list must be a height and a direction, not “${line}”.`);
        else positions.push(at(...pair));
      });
      if (positions.length + faults.length === 0) faults.push('the list of positions is empty.');
      break;
    default: {
      const heights = numbers(text.heights), directions = numbers(text.directions);
      if (bad(heights)) faults.push(refused('heights', text.heights));
      if (bad(directions)) faults.push(refused('directions', text.directions));
      positions = heights.flatMap((m) => directions.map((d) => at(m, d)));
    }
  }
  return { positions, faults, text };
}
