// The panel's parts that don't compute: hour strip, legend, choices, drawer, what the page remembers.

const LAYERS = [
  ['now', 'Holding now', 'day'],
  ['day', 'Holding at midday, under this sky', 'day'],
  ['night', 'Holding in the dark hours', 'night'],
  ['cloud', 'Full sun against full cloud', 'change'],
  ['light', 'Light at the bed', 'light'],
  ['depth', 'Depth', 'depth'],
  ['speed', 'Current', 'speed'],
  ['sure', 'How well it was measured', 'sure'],
];

const EXTRAS = [
  ['lies', 'Lies', true],
  ['seams', 'Seams', true],
  ['shade', 'Trees, walls and bridges that shade', false],
  ['wading', 'Where to wade with strong care (dots)', false],
  ['lanes', 'Lanes to drift', false],
  ['stances', 'Places to stand', false],
  ['thin', 'Fade where little was measured', true],
];

const DEEPEST_SHOWN = 2.5; // [m] full colour of depth
const FASTEST_SHOWN = 2; // [m/s] full colour of speed; walking pace is about two thirds of it

function legendWords(ramp) {
  const fifths = [0.1, 0.3, 0.5, 0.7, 0.9];
  if (ramp === 'depth') return fifths.map((f) => units.length(f * DEEPEST_SHOWN, 1));
  if (ramp === 'speed') return fifths.map((f) => units.speed(f * FASTEST_SHOWN));
  return RAMPS[ramp].words;
}

function drawLegend(ramp, extra) {
  const words = legendWords(ramp);
  const steps = el('div', { class: 'steps', 'aria-hidden': 'true' });
  const table = TABLES[ramp];
  words.forEach((_, k) => {
    const v = table[Math.round(((k + 0.5) / words.length) * 255)];
    const box = el('i');
    box.style.background = `rgb(${v & 255},${(v >> 8) & 255},${(v >> 16) & 255})`;
    steps.append(box);
  });
  const named = el('div', { class: 'step-words' }, ...words.map((word) => el('span', { text: word })));
  const lines = ['Lie outlines: solid prime, dashed feeding, dotted sheltering. Dark slanting lines on the water: do not wade.'];
  $('legend').replaceChildren(steps, named, ...[extra, ...lines].filter(Boolean).map((text) => el('p', { class: 'small', text })));
}

// Day, dusk and night along the strip, and above them the hours the chosen lie lies in shade.
function drawHours(D, shadeOfLie) {
  const canvas = $('sky-strip');
  const pen = canvas.getContext('2d');
  const n = D.day.times.length;
  const wide = canvas.width / n;
  D.day.altitude.forEach(([sun, moon], k) => {
    pen.fillStyle = sun > 0 ? '#f3e2a2' : sun > -6 ? '#b98f6a' : sun > -12 ? '#5f6480' : moon > 0 ? '#3d4463' : '#232840';
    pen.fillRect(k * wide, 0, wide + 1, canvas.height);
    if (shadeOfLie && sun > 0 && shadeOfLie[k] < 0.5) {
      pen.fillStyle = '#4a5a4c';
      pen.fillRect(k * wide, canvas.height / 2, wide + 1, canvas.height / 2);
    }
  });
  const at = (name) => D.day.times.indexOf(D.day.times.find((t) => t >= D.day.events[name]));
  const marks = [['sunrise', 'sun up'], ['sunset', 'sun down']].filter(([name]) => D.day.events[name]);
  $('strip-words').replaceChildren(...marks.map(([name, word]) => {
    const span = el('span', { text: `${word} ${D.day.events[name]}` });
    span.style.left = `${Math.min(80, Math.max(20, (100 * at(name)) / n))}%`;
    return span;
  }));
}

function choices(kind, name, rows, chosen, onchange) {
  return rows.map(([id, text]) => {
    const input = el('input', { type: kind, name, value: id, id: `${name}-${id}` });
    input.checked = chosen(id);
    input.addEventListener('change', () => onchange(id, input.checked));
    return el('label', { class: 'choice', for: `${name}-${id}` }, input, el('span', { text }));
  });
}

function drawer() {
  const states = ['closed', 'half', 'full'];
  const sheet = $('sheet');
  const to = (state) => {
    sheet.dataset.state = state;
    $('grip').setAttribute('aria-expanded', String(state !== 'closed'));
  };
  $('grip').addEventListener('click', () => to(states[(states.indexOf(sheet.dataset.state) + 1) % 3]));
  let from = null;
  $('grip').addEventListener('pointerdown', (event) => { from = event.clientY; });
  addEventListener('pointerup', (event) => {
    if (from === null) return;
    const up = from - event.clientY;
    from = null;
    const k = states.indexOf(sheet.dataset.state);
    if (Math.abs(up) > 30) to(states[Math.min(2, Math.max(0, k + Math.sign(up)))]);
  });
  return { open: () => { if (sheet.dataset.state === 'closed') to('half'); } };
}

function dark() {
  const wanted = keep.get('reachmap:dark');
  const set = (on) => {
    document.documentElement.toggleAttribute('data-dark', on);
    $('dark').setAttribute('aria-pressed', String(on));
  };
  set(wanted ?? matchMedia('(prefers-color-scheme: dark)').matches);
  $('dark').addEventListener('click', () => {
    const on = !document.documentElement.hasAttribute('data-dark');
    keep.set('reachmap:dark', on);
    set(on);
  });
}
