// What a set yielded: diameters, decision, budget. A measurement record, and it says so.
import { h, byId, show } from './dom.js';
import { micro, signedMicro, uncertainty, freedom, plain, status, day, clock, bare, length, prefs } from './format.js';

/** Shows the result of the set in hand beside the bench. */
export function renderResult(app) {
  const { set, result } = app;
  const box = byId('result');
  const visible = Boolean(set?.ended || (set && result));
  show(box, visible);
  // Made anew only if it changed: what was opened stays open, and the focus where it is.
  const key = visible ? JSON.stringify([set.id, set.seq, result?.set_id, result?.revision, prefs.unit]) : '';
  if (box.dataset.key === key) return;
  box.dataset.key = key;
  box.replaceChildren(...(visible ? resultNodes(set, result, 'result') : []));
}

/** The place of a position in words. */
export const place = (p) => `${plain(p.height_mm)}\u00a0mm,\u00a0${plain(p.direction_deg)}°`;

/** Degrees of freedom as a number; infinitely many where the wire has none. */
const dof = (v) => (v === undefined ? '∞' : v >= 10 ? String(Math.floor(v)) : v.toFixed(1));

/** The whole result; id names the headings and captions within the page. */
export function resultNodes(set, result, id) {
  const works = set.rings.filter((r) => r.kind === 'work');
  const master = set.rings.find((r) => r.kind === 'master');
  const head = h('h2', { id: `${id}-title`, tabindex: -1 }, `Result: ${works.map((r) => r.ident).join(', ')}`);
  if (!result) {
    return [head, h('p', {}, set.status === 'aborted'
      ? `There is no result: the set was aborted (${set.stop_reason}).`
      : 'There is no result of this set.')];
  }
  const closing = result.closing_difference_mm;
  const verdict = { accepted: '✓ Accepted', provisional: '? Provisional', not_accepted: '✗ Not accepted' }[result.status] ?? status(result.status);
  const why = closing === undefined
    ? 'the reference was not closed'
    : `closing minus opening is ${signedMicro(closing)}, the limit is ${micro(result.closing_limit_mm)}`;
  return [
    head,
    h('p', { class: 'verdict', 'data-status': result.status }, h('strong', {}, verdict), `: ${why}.`,
      result.repeatability ? ` Repeatability of one entry ${uncertainty(result.repeatability.s_mm)} (${freedom(result.repeatability.dof)}).` : ''),
    h('p', { id: `${id}-caption`, class: 'quiet' }, `Diameters at 20 °C, ${day(result.at)} ${clock(result.at)}, revision ${result.revision}. u is the standard uncertainty, U the expanded one with its coverage factor k, ν the effective degrees of freedom.`),
    diameters(result, id),
    ...result.rings.filter((r) => result.positions.filter((p) => p.ring_id === r.ring_id).length > 1).map(wholeRing),
    h('p', { class: 'row links' },
      works.map((r) => h('a', { href: `#/rings/${r.id}` }, `Earlier calibrations of ${r.ident}`)),
      master ? h('a', { href: `#/closing/${encodeURIComponent(set.station)}/${master.id}` }, `Closing differences on ${master.ident}`) : null),
    h('h3', {}, 'Uncertainty budget'),
    ...result.positions.map((p, i) => budget(p, `${id}-budget-${i}`, i === 0)),
    caution(result),
  ];
}

const signs = { conforms: '✓', inside_not_proven: '?', outside_not_proven: '?', does_not_conform: '✗' };

function diameters(result, id) {
  const heads = ['Ring, position', `#Diameter / ${prefs.unit}`, '#U', '#k', '#u', '#ν', '#From nominal'];
  const bodies = result.positions.map((p) => h('tbody', {},
    h('tr', {},
      h('th', { scope: 'rowgroup' }, p.ident, h('span', { class: 'quiet' }, place(p))),
      h('td', { class: 'number strong' }, bare(p.diameter_20c_mm)),
      h('td', { class: 'number strong' }, uncertainty(p.expanded_uncertainty_mm), p.floor_applied ? h('span', { class: 'quiet' }, 'laboratory floor') : null),
      h('td', { class: 'number' }, p.coverage_factor.toFixed(2)),
      h('td', { class: 'number' }, uncertainty(p.u_mm)),
      h('td', { class: 'number' }, dof(p.dof)),
      h('td', { class: 'number' }, signedMicro(p.deviation_mm))),
    h('tr', {}, h('td', { colspan: heads.length, class: 'says' }, h('div', { class: 'kept' },
      h('p', { class: 'decision', 'data-outcome': p.verdict?.outcome ?? '' },
        h('span', { class: 'sr' }, 'Decision: '), h('span', { class: 'mark', 'aria-hidden': 'true' }, p.verdict ? (signs[p.verdict.outcome] ?? '•') + ' ' : ''), p.decision || 'No tolerance.'),
      h('p', { class: 'traces' }, p.captures.flatMap((c, i) => {
        const of = `entry ${i + 1}, ${p.ident}, ${plain(p.height_mm)} mm, ${plain(p.direction_deg)}°`;
        return [h('span', { class: 'pair' },
          h('a', { href: `#/captures/${c}`, 'aria-label': `Trace ${i + 1}: look at ${of}` }, `Trace ${i + 1}`),
          h('a', { href: `/api/v1/captures/${c}/trace`, download: '', 'aria-label': `CSV ${i + 1}: raw trace of ${of}` }, `CSV ${i + 1}`)), ' '];
      })))))));
  return h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': 'Table of diameters' }, h('table', { class: 'diameters', 'aria-describedby': `${id}-caption` },
    h('thead', {}, h('tr', {}, heads.map((t) => h('th', { scope: 'col', class: t[0] === '#' ? 'number' : null }, t.replace('#', ''))))), bodies));
}

/** What the positions of a ring say together. */
function wholeRing(r) {
  const line = (term, e, text, more) => h('div', {}, h('dt', {}, term),
    h('dd', {}, `${text(e.value_mm)}, U ${uncertainty(e.expanded_uncertainty_mm)}`, h('span', { class: 'quiet' }, ` u ${uncertainty(e.u_mm)}, k ${e.coverage_factor.toFixed(2)}, ν ${dof(e.dof)}${more ?? ''}`)));
  return h('section', { class: 'whole' },
    h('h3', {}, `${r.ident} as a whole`),
    h('dl', { class: 'figures' },
      line('Mean of the positions', r.mean, (v) => `${length(v)}, ${signedMicro(v - r.nominal_mm)} from nominal`),
      r.taper ? line('Taper over the heights', r.taper, signedMicro, r.taper.value_mm > 0 ? '; wider at the greater height' : '') : null,
      r.out_of_roundness ? line('Out-of-roundness over the directions', r.out_of_roundness, (v) => micro(v), '; lobes of odd number do not show') : null,
      h('div', {}, h('dt', {}, 'Decision'), h('dd', {}, r.decision))));
}

export const percent = (share) => (share > 0 && share < 0.0005 ? '< 0.1' : (100 * share).toFixed(1)) + '\u00a0%';

/** A symbol with its index below the line. */
function symbol(text) {
  const [base, index] = text.split('_');
  return h('span', { class: 'quiet symbol' }, base, index ? h('sub', {}, index) : null);
}

/** The budget of a position: a chart of the shares, and the table that says the same. */
function budget(p, id, open) {
  const terms = [...p.terms].sort((a, b) => b.share - a.share);
  const shown = terms.filter((t) => t.share >= 0.0005);
  const rest = terms.length - shown.length;
  const bars = shown.map((t) => {
    const fill = h('span', { class: 'fill' });
    fill.style.width = `${100 * t.share}%`; // as an attribute the content policy would refuse it
    return h('div', { class: 'bar' }, h('span', { class: 'label' }, t.name || t.id), h('span', { class: 'track' }, fill), h('span', { class: 'amount' }, percent(t.share)));
  });
  const rows = terms.map((t) => h('tr', {},
    h('th', { scope: 'row' }, t.name || t.id, ' ', symbol(t.symbol)),
    h('td', { class: 'number' }, bare(t.value)),
    h('td', { class: 'number' }, uncertainty(t.contribution_mm)),
    h('td', { class: 'number' }, percent(t.share)),
    h('td', { class: 'number' }, dof(t.dof)),
    h('td', {}, t.kind),
    h('td', {}, t.distribution)));
  const of = `${p.ident}, ${plain(p.height_mm)} mm, ${plain(p.direction_deg)}°`;
  return h('details', { class: 'budget', open },
    h('summary', {}, h('strong', {}, of), `: u ${uncertainty(p.u_mm)}`, shown.length ? `, most of it ${shown[0].name || shown[0].id}` : ''),
    h('figure', { class: 'bars', role: 'img', 'aria-label': `Shares of the variance, ${of}: ${shown.map((t) => `${t.name || t.id} ${percent(t.share)}`).join(', ')}`, 'aria-describedby': id },
      bars, rest > 0 ? h('figcaption', {}, `Shares of the variance. ${rest} more below 0.1 %, in the table.`) : h('figcaption', {}, 'Shares of the variance.')),
    h('div', { class: 'scroll', tabindex: 0, role: 'region', 'aria-label': `Table of the budget, ${of}` }, h('table', { id },
      h('caption', { class: 'sr' }, `Uncertainty budget, ${of}`),
      h('thead', {}, h('tr', {}, ['Term', `#Estimate / ${prefs.unit}`, '#Contribution to u', '#Share', '#ν', 'Kind', 'Distribution'].map((t) => h('th', { scope: 'col', class: t[0] === '#' ? 'number' : null }, t.replace('#', ''))))),
      h('tbody', {}, rows),
      h('tfoot', {}, h('tr', {},
        h('th', { scope: 'row' }, 'Diameter at 20 °C'), h('td', { class: 'number strong' }, bare(p.diameter_20c_mm)), h('td', { class: 'number strong' }, uncertainty(p.u_mm)),
        h('td', { class: 'number' }, '100\u00a0%'), h('td', { class: 'number' }, dof(p.dof)), h('td', { colspan: 2 }, `U ${uncertainty(p.expanded_uncertainty_mm)} with k ${p.coverage_factor.toFixed(2)}`))))));
}

function caution(result) {
  const notes = [...result.reservations, ...result.positions.flatMap((p) => p.reservations.map((r) => `${p.ident}, ${plain(p.height_mm)} mm, ${plain(p.direction_deg)}°: ${r}`))];
  return h('div', { class: 'caution' }, h('h3', {}, 'Before you use these values'),
    h('ul', {}, h('li', {}, result.caution), h('li', {}, 'It is no accredited certificate and does not replace one.'), notes.map((n) => h('li', {}, n))));
}
