// The form that registers a ring.
import { h, field } from './dom.js';
import { post } from './client.js';
import { ask } from './dialog.js';

/** Asks for a ring, of the kind proposed, and registers it; null if it was left. */
export function register(app, materials, proposed = 'work') {
  const text = (attrs) => h('input', { type: 'text', maxlength: 100, ...attrs });
  const num = (attrs) => h('input', { type: 'number', step: 'any', inputmode: 'decimal', ...attrs });
  const by = text({ required: true, value: app.actor ?? '' });
  const kind = h('select', {}, h('option', { value: 'work' }, 'Work ring'), h('option', { value: 'master' }, 'Master ring'));
  kind.value = proposed;
  const ident = text({ required: true, maxlength: 64 });
  const nominal = num({ required: true, min: 0.1, max: 1000 });
  const material = h('select', { required: true }, materials.map((m) => h('option', { value: m.id }, m.name)));
  const owner = text({});
  const lower = num({}), upper = num({});
  const limits = h('div', { class: 'grid three' }, field('Lower limit / µm from nominal', lower), field('Upper limit / µm', upper),
    h('p', { class: 'hint' }, 'Leave both empty where no decision is wanted.'));
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
    fields: [h('div', { class: 'grid three' }, field('Kind', kind), field('Ident, as engraved', ident), field('Nominal diameter / mm', nominal), field('Material', material), field('Owner, if not the laboratory', owner), field('Your name', by)), limits, certificate],
    submit: () => (kind.value === 'work' && (lower.value === '') !== (upper.value === '') ? Promise.reject(new Error('Give both limits, or neither.')) : post('/rings', {
      by: by.value.trim(), kind: kind.value, ident: ident.value.trim(), nominal_mm: Number(nominal.value), material: material.value, owner: owner.value.trim(),
      ...(kind.value === 'work' && lower.value !== '' && upper.value !== '' ? { lower_limit_mm: Number(lower.value) / 1000, upper_limit_mm: Number(upper.value) / 1000 } : {}),
      ...(kind.value === 'master' ? { certificate: {
        number: cert.number.value.trim(), diameter_20c_mm: Number(cert.diameter.value), expanded_uncertainty_mm: Number(cert.expanded.value) / 1000,
        coverage_factor: Number(cert.k.value), height_mm: Number(cert.height.value), direction_deg: Number(cert.direction.value),
        calibrated_on: cert.on.value, due_on: cert.due.value,
      } } : {}),
    })).then((ring) => {
      app.actor = by.value.trim();
      return ring;
    }),
  });
}
