// The form that starts a set, and the one that registers a ring.
import { h, byId, field, remember, show } from './dom.js';
import { get, post } from './client.js';
import { ask } from './dialog.js';
import { plain } from './format.js';

const checks = [
  ['clean', 'Rings and contacts are clean; rings looked over for burrs'],
  ['force', 'Measuring force is set as for every set on this bench'],
  ['unlocked', 'Carriage is unlocked after mounting, table moves freely'],
  ['soaked', 'Rings have soaked beside the bench long enough'],
];

export async function renderSetup(app) {
  const box = byId('setup');
  const visible = !app.set;
  show(box, visible);
  if (!visible || box.dataset.station === app.station) return;
  box.dataset.station = app.station;
  await app.attempt(async () => {
    const [{ rings }, { materials }] = await Promise.all([get('/rings'), get('/materials')]);
    build(app, rings, materials);
  });
}

/** Numbers with spaces between. A comma inside a number could mean two things and is refused. */
function numbers(text) {
  return text.trim().split(/,?\s+|;\s*/).filter(Boolean).map((t) => (/^\d+(\.\d+)?$/.test(t) ? Number(t) : NaN));
}

function build(app, rings, materials) {
  const form = byId('order');
  const memory = remember.get('order.' + app.station) ?? {};
  const masters = rings.filter((r) => r.kind === 'master');
  const works = rings.filter((r) => r.kind === 'work');
  const option = (r) => h('option', { value: r.id }, `${r.ident} · ${plain(r.nominal_mm)} mm` + (r.certificate ? ` · due ${r.certificate.due_on}${r.overdue ? ' OVERDUE' : ''}` : ''));

  const technician = h('input', { type: 'text', required: true, maxlength: 100, autocomplete: 'name', value: memory.technician ?? '' });
  const master = h('select', { required: true }, h('option', { value: '' }, 'Choose'), masters.map(option));
  if (masters.some((r) => r.id === memory.master)) master.value = memory.master;
  const overdue = h('input', { type: 'text', maxlength: 500 });
  const overdueField = field('Reason for using a master past its due date', overdue, 'It is recorded with the set and shown with the result.');
  const dueNote = h('p', { class: 'hint' });
  const showDue = () => {
    const r = masters.find((m) => m.id === master.value);
    overdueField.hidden = !r?.overdue;
    overdue.required = Boolean(r?.overdue);
    dueNote.textContent = r?.certificate ? `Certificate ${r.certificate.number}: ${r.certificate.diameter_20c_mm.toFixed(5)} mm at ${plain(r.certificate.height_mm)} mm, ${plain(r.certificate.direction_deg)}°; due ${r.certificate.due_on}${r.overdue ? ', past' : ''}.` : '';
  };
  master.addEventListener('change', showDue);

  const rows = h('div', { class: 'works' });
  const addWork = (preset = {}) => {
    const ring = h('select', { required: true, class: 'work' }, h('option', { value: '' }, 'Choose'), works.map(option));
    if (works.some((r) => r.id === preset.ring)) ring.value = preset.ring;
    const heights = h('input', { type: 'text', required: true, class: 'heights', inputmode: 'decimal', value: preset.heights ?? '10' });
    const directions = h('input', { type: 'text', required: true, class: 'directions', inputmode: 'decimal', value: preset.directions ?? '0' });
    const row = h('fieldset', { class: 'work-row' }, h('legend', {}, 'Work ring'),
      field('Ring', ring), field('Heights / mm', heights, 'From the datum face, e.g. 5 10 15'), field('Directions / °', directions, 'From the mark, e.g. 0 90'));
    const remove = h('button', { type: 'button', class: 'plain small', onclick: () => { row.remove(); number(); } }, 'Take this ring out');
    row.append(remove);
    rows.append(row);
    number();
  };
  const number = () => rows.querySelectorAll('.work-row').forEach((r, i, all) => {
    r.querySelector('legend').textContent = all.length === 1 ? 'Work ring' : `Work ring ${i + 1}`;
    r.querySelector('button').hidden = all.length === 1;
  });
  for (const w of memory.works?.length ? memory.works : [{}]) addWork(w);

  const repeats = h('input', { type: 'number', min: 1, max: 10, required: true, value: memory.repeats ?? 2 });
  const limit = h('input', { type: 'number', min: 0.01, max: 100, step: 0.01, required: true, value: memory.limit ?? 0.2 });
  const temp = () => h('input', { type: 'number', step: 0.01, min: 0, max: 40, inputmode: 'decimal' });
  const tMaster = temp(), tWork = temp(), tScale = temp();
  const boxes = checks.map(([id, text]) => ({ id, box: h('input', { type: 'checkbox', id: 'check-' + id }), text }));
  const faults = h('ul'), fault = h('div', { class: 'fault', role: 'alert', hidden: true }, faults);
  const start = h('button', { type: 'submit', class: 'primary big' }, 'Start the set');

  const again = async () => { byId('setup').dataset.station = ''; await renderSetup(app); };
  const none = rings.length === 0 ? h('p', { class: 'note' }, 'The register is empty. Register a master and a work ring first.') : null;
  form.replaceChildren(
    none ?? '',
    h('div', { class: 'grid' },
      field('Technician', technician),
      h('div', { class: 'stack' }, field('Master ring', master), dueNote, overdueField)),
    rows,
    h('div', { class: 'row' },
      h('button', { type: 'button', class: 'plain', onclick: () => addWork() }, 'Another work ring'),
      h('button', { type: 'button', class: 'plain', onclick: () => register(app, materials).then((r) => r && again()) }, 'Register a ring')),
    h('div', { class: 'grid three' },
      field('Entries at each position', repeats, 'Repeats by re-entry'),
      field('Closing limit / µm', limit, '0.2 µm is common practice')),
    h('fieldset', {}, h('legend', {}, 'Temperatures / °C, if read'),
      h('div', { class: 'grid three' }, field('Master', tMaster), field('Work rings', tWork), field('Scale', tScale))),
    h('fieldset', { class: 'checks' }, h('legend', {}, 'Before you start'),
      boxes.map(({ box, text }) => h('label', { class: 'check' }, box, ' ', text)),
      h('p', { class: 'hint' }, 'The carriage is spring-loaded: keep fingers out from between contacts and ring. Support heavy rings with both hands. Your laboratory\u2019s procedures come first.')),
    fault, start);
  showDue();

  form.onsubmit = async (e) => {
    e.preventDefault();
    const lines = [];
    const workRows = [...rows.querySelectorAll('.work-row')].map((row) => ({
      ring: row.querySelector('.work').value, heights: row.querySelector('.heights').value, directions: row.querySelector('.directions').value,
    }));
    if (!technician.value.trim()) lines.push('Technician: who measures?');
    if (!master.value) lines.push('Master ring: choose one.');
    if (overdue.required && !overdue.value.trim()) lines.push('This master is past its due date: give the reason for using it, or choose another.');
    workRows.forEach((w, i) => {
      const name = workRows.length === 1 ? 'Work ring' : `Work ring ${i + 1}`;
      if (!w.ring) lines.push(`${name}: choose one.`);
      for (const [what, text] of [['heights', w.heights], ['directions', w.directions]]) {
        const list = numbers(text);
        if (list.length === 0 || list.some((n) => !Number.isFinite(n))) lines.push(`${name}: ${what} must be numbers with spaces between and a decimal point, not “${text}”.`);
      }
    });
    const say = (list) => {
      faults.replaceChildren(...list.map((l) => h('li', {}, l)));
      fault.hidden = list.length === 0;
      if (list.length) fault.scrollIntoView({ block: 'center' });
    };
    say(lines);
    if (lines.length) return;
    const temperatures = [];
    if (tMaster.value) temperatures.push({ ring_id: master.value, celsius: Number(tMaster.value) });
    for (const w of workRows) if (tWork.value) temperatures.push({ ring_id: w.ring, celsius: Number(tWork.value) });
    if (tScale.value) temperatures.push({ celsius: Number(tScale.value) });
    remember.set('order.' + app.station, { technician: technician.value.trim(), master: master.value, works: workRows, repeats: Number(repeats.value), limit: Number(limit.value) });
    start.disabled = true;
    try {
      const set = await post('/sets', {
        station: app.station, technician: technician.value.trim(), master_id: master.value,
        works: workRows.map((w) => ({
          ring_id: w.ring,
          positions: numbers(w.heights).flatMap((height_mm) => numbers(w.directions).map((direction_deg) => ({ height_mm, direction_deg }))),
        })),
        repeats: Number(repeats.value), closing_limit_mm: Number(limit.value) / 1000,
        overdue_reason: overdueField.hidden ? '' : overdue.value.trim(), temperatures,
        checks: boxes.filter((b) => b.box.checked).map((b) => b.id),
      });
      app.actor = set.technician;
      app.showSet(set);
      byId('now').focus();
    } catch (err) {
      say(err.lines ?? [err.message]);
    } finally {
      start.disabled = false;
    }
  };
}

function register(app, materials) {
  const text = (attrs) => h('input', { type: 'text', maxlength: 100, ...attrs });
  const num = (attrs) => h('input', { type: 'number', step: 'any', inputmode: 'decimal', ...attrs });
  const by = text({ required: true, value: app.actor ?? '' });
  const kind = h('select', {}, h('option', { value: 'work' }, 'Work ring'), h('option', { value: 'master' }, 'Master ring'));
  const ident = text({ required: true, maxlength: 64 });
  const nominal = num({ required: true, min: 0.1, max: 1000 });
  const material = h('select', { required: true }, materials.map((m) => h('option', { value: m.id }, m.name)));
  const owner = text({});
  const lower = num({}), upper = num({});
  const limits = h('div', { class: 'grid three' }, field('Lower limit / µm from nominal', lower), field('Upper limit / µm', upper));
  const cert = {
    number: text({}), diameter: num({}), expanded: num({ value: '' }), k: num({ value: 2 }), height: num({ value: 10 }), direction: num({ value: 0 }),
    on: h('input', { type: 'date' }), due: h('input', { type: 'date' }),
  };
  const certificate = h('fieldset', {}, h('legend', {}, 'Last certificate'), h('div', { class: 'grid three' },
    field('Number', cert.number), field('Diameter at 20 °C / mm', cert.diameter), field('Expanded uncertainty / µm', cert.expanded), field('Coverage factor k', cert.k),
    field('At height / mm', cert.height), field('In direction / °', cert.direction), field('Calibrated on', cert.on), field('Due on', cert.due)));
  const toggle = () => {
    const master = kind.value === 'master';
    certificate.hidden = !master;
    limits.hidden = master;
    for (const c of Object.values(cert)) c.required = master;
  };
  kind.addEventListener('change', toggle);
  toggle();
  return ask({
    title: 'Register a ring', confirm: 'Register',
    fields: [h('div', { class: 'grid three' }, field('Kind', kind), field('Ident, as engraved', ident), field('Nominal diameter / mm', nominal), field('Material', material), field('Owner', owner), field('Your name', by)), limits, certificate],
    submit: () => post('/rings', {
      by: by.value.trim(), kind: kind.value, ident: ident.value.trim(), nominal_mm: Number(nominal.value), material: material.value, owner: owner.value.trim(),
      ...(kind.value === 'work' && lower.value !== '' && upper.value !== '' ? { lower_limit_mm: Number(lower.value) / 1000, upper_limit_mm: Number(upper.value) / 1000 } : {}),
      ...(kind.value === 'master' ? { certificate: {
        number: cert.number.value.trim(), diameter_20c_mm: Number(cert.diameter.value), expanded_uncertainty_mm: Number(cert.expanded.value) / 1000,
        coverage_factor: Number(cert.k.value), height_mm: Number(cert.height.value), direction_deg: Number(cert.direction.value),
        calibrated_on: cert.on.value, due_on: cert.due.value,
      } } : {}),
    }),
  });
}
