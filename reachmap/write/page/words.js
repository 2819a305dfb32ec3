// Words, numbers and elements. Text only ever goes in through textContent.

const $ = (id) => document.getElementById(id);

function el(tag, attributes, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name === 'text') node.textContent = value;
    else if (name.startsWith('on')) node.addEventListener(name.slice(2), value);
    else if (value !== false && value != null) node.setAttribute(name, value === true ? '' : value);
  }
  node.append(...children);
  return node;
}

// A mark on the map does by Enter and Space what it does by a touch, as a button would.
const onPress = (mark, act) => mark.on('click', act).on('keypress', ({ originalEvent: event }) => {
  if (event.key !== 'Enter' && event.key !== ' ') return;
  event.preventDefault();
  act();
});

// What the device remembers; it may refuse.
const keep = {
  get(key) {
    try {
      return JSON.parse(localStorage.getItem(key));
    } catch {
      return null;
    }
  },
  names(head) {
    try {
      return Object.keys(localStorage).filter((key) => key.startsWith(head)).sort();
    } catch {
      return [];
    }
  },
  // Whether anything is kept at all.
  works() {
    const kept = keep.set('reachmap:try', 1);
    if (kept) localStorage.removeItem('reachmap:try');
    return kept;
  },
  set(key, value) {
    try {
      localStorage.setItem(key, JSON.stringify(value));
      return true;
    } catch {
      return false;
    }
  },
};

// A temperature to a tenth of a degree, as it is printed.
const tenths = (celsius) => Math.round(10 * celsius) / 10;

const units = {
  imperial: false,
  length: (m, digits = 2) => {
    if (!units.imperial) return `${m.toFixed(digits)}\u00a0m`;
    return `${(m / 0.3048).toFixed(digits === 0 || m >= 30 * 0.3048 ? 0 : 1)}\u00a0ft`;
  },
  speed: (v) => (units.imperial ? `${(v / 0.44704).toFixed(1)}\u00a0mph` : `${v.toFixed(2)}\u00a0m/s`),
  far: (m) => {
    if (m <= 2000) return units.imperial ? `${Math.round(m / 0.9144)}\u00a0yd` : `${Math.round(m)}\u00a0m`;
    const [value, unit] = units.imperial ? [m / 1609.344, 'miles'] : [m / 1000, 'km'];
    return `${value.toFixed(value < 10 ? 1 : 0)}\u00a0${unit}`;
  },
  small: (mm) => (units.imperial ? `${(mm / 25.4).toFixed(2)}\u00a0in` : `${mm.toFixed(1)}\u00a0mm`),
  area: (m2) => (units.imperial ? `${Math.round(m2 / 0.09290304)} sq\u00a0ft` : `${m2.toFixed(m2 < 10 ? 1 : 0)}\u00a0m²`),
  // As in print: from a tenth of a degree to a whole one, halves up.
  warmth: (celsius) => (units.imperial ? `${Math.round((tenths(celsius) * 9) / 5 + 32)}\u00a0F` : `${tenths(celsius)}\u00a0C`),
  // A sentence of ours, written in metres.
  said: (text) => {
    const turn = { m: units.length, 'm/s': units.speed, C: units.warmth };
    const number = /(?<![\w.])(\d+(?:\.\d+)?) (m\/s|m|C)(?![\w/])/g;
    return text.replace(number, (_, value, unit) => (units.imperial ? turn[unit](Number(value)) : `${value}\u00a0${unit}`));
  },
};

const scoreWord = (D, score) => (D.score_words.find(([top]) => score < top) || D.score_words.at(-1))[1];

// Words that name no source: so little may come of the moon, a late sun, a town, or of noon through murk.
const LUX_STEPS = [
  [2.5e-4, 'black'], // as the night's scale of the map begins
  [0.01, 'dark'],
  [1, 'dim'],
  [100, 'half-light'],
  [8000, 'daylight'],
  [Infinity, 'bright'],
];
const luxWord = (lux) => LUX_STEPS.find(([top]) => lux < top)[1];
// Below 0.0001 lux the figures are not worth telling apart (assumed).
const luxNumber = (lux) => (lux < 1e-4 ? 'under 0.0001' : lux < 10 ? lux.toPrecision(2) : Math.round(lux).toLocaleString('en'));
const luxText = (lux) => `${luxNumber(lux)}\u00a0lux, ${luxWord(lux)}`;

const FACTOR_WORDS = {
  food: 'the drift beside it is wrong for it',
  nose: 'the current at its nose is wrong for it',
  depth: 'the depth is wrong for it',
  light: 'the light on the bed is wrong for it',
  cover: 'little cover to hide under or against',
  seam: 'no seam beside it',
};
const SURE_WORDS = ['a guess', 'between measurements', 'measured near here'];
// After civil dusk one no longer sees where one treads.
const isDark = (D, setting) => D.days[setting.day].altitude[setting.step][0] < -6;
// Whether the sun is up, or its upper limb at least; from then to civil dusk is twilight.
const sunIsUp = (D, setting) => D.days[setting.day].altitude[setting.step][0] >= -0.8;
// Whether sun and shade can be told apart on the water.
const shadeIsSeen = (D, { day, step, cloud }) => cloud < D.overcast_oktas && D.days[day].altitude[step][0] >= D.sun_least_deg;
// Whether a scene's water is as set, as clear and of that colour; and whether all of it is.
const sameWater = (scene, setting) => ['clarity', 'colour'].every((name) => asScene(scene)[name] === setting[name]);
const isSet = (scene, setting) => Object.entries(asScene(scene)).every(([name, value]) => setting[name] === value);
const byGuess = (yes) => (yes ? ' by guess' : '');
// What of the two was not measured, as a sentence; '' if both were.
const guessText = ({ depth, speed }) =>
  (depth && speed ? 'depth and speed are a guess' : depth ? 'depth is a guess' : speed ? 'speed is a guess' : '');
const WADING_WORDS = ['', 'usual care', 'strong care', 'do not wade'];
// No care is enough where nobody knows how deep or fast it is.
const wadingText = (wading, guessed) => (wading < 3 && guessText(guessed) ? `not known: ${guessText(guessed)}` : WADING_WORDS[wading]);

const eyeWord = (state) => (state > 0.9 ? 'day eye' : state < 0.1 ? 'night eye' : 'switching over');

// What to do there, and where it is, as worked out for one hour of the day.
const standWord = (stance) => (stance.how === 'kneeling' ? 'Kneel' : 'Stand');
// Where to stand for a lie on that date, by daylight or in the dark.
function stancesFor(D, lie, setting) {
  const [date, dark] = [D.days[setting.day].iso, isDark(D, setting)];
  return D.shapes.stances.filter((one) => one.lie === lie && one.dates.includes(date) && one.dark === dark);
}
function standText(stance) {
  const place = stance.on === 'water' ? 'in the water' : 'on the bank';
  return `${place}, ${stance.reason}; ${units.length(stance.cast_m, 0)} away (worked out for ${stance.when})`;
}

// How far above a lie its lanes want the fly to land, as far as nothing stands nearer than that.
function castText(lanes) {
  const [open, shut] = [lanes.filter((lane) => !lane.shut_by), lanes.filter((lane) => lane.shut_by)];
  const by = [...new Set(shut.map((lane) => (lane.shut_by === 'land' ? 'land' : `a ${lane.shut_by}`)))].join(' or ');
  const seam = lanes.some((lane) => lane.seams.length) ? '; a seam crosses there: mend' : '';
  if (!open.length) {
    const within = units.length(Math.max(...shut.map((lane) => lane.shut_within_m)), 1);
    return `in from the side: there is ${by} within ${within} above it, too near for the fly to sink on its way${seam}`;
  }
  const [leads, least, most] = [0, 1, 2].map((which) => open.map((lane) => lane.lead_m[which]).sort((a, b) => a - b));
  const [low, high] = [leads[0], leads.at(-1)].map((m) => units.length(m, 1));
  const span = `${units.length(least[0], 1)} to ${units.length(most.at(-1), 1)} by how fast the fly sinks`;
  const many = shut.length ? `${open.length} of ${lanes.length}` : lanes.length;
  const side = lanes.length > 1 ? `, on ${many} lanes side by side` : '';
  const rest = shut.length ? `; ${by} is too near above the rest of it` : '';
  return `${low === high ? low : `${low} to ${high}`} above it (${span})${side}${rest}${seam}`;
}

const fishText = (fish) =>
  `${fish.species} trout, ${units.imperial ? `${Math.round(fish.length_m / 0.0254)}\u00a0in` : `${Math.round(fish.length_m * 100)}\u00a0cm`}`;
// Whose that is which was worked out for the beat's own fish, where another is set.
const forFish = (D, setting) => (setting.fish === 0 ? '' : ` for ${fishText(D.curves.fish[0])}`);
const CLOUD_WORDS = ['clear sky', 'sunny', 'mostly sunny', 'some cloud', 'half cloud', 'more cloud than sun', 'mostly cloud', 'nearly overcast', 'overcast'];
const NIGHT_CLOUD_WORDS = { 1: 'nearly clear', 2: 'mostly clear', 5: 'more cloud than stars' };
const cloudWord = (cloud, night) => (night && NIGHT_CLOUD_WORDS[cloud]) || CLOUD_WORDS[cloud];
