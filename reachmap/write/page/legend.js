// What the water can be coloured by, what can be drawn on top, and what the colours mean in words.

const LAYERS = [
  ['now', 'Holding now', 'day'],
  ['day', 'Holding at midday, under this sky', 'day'],
  ['night', 'Holding in the dark hours', 'night'],
  ['cloud', 'Clear sky against full cloud', 'change'],
  ['light', 'Light at the bed', 'light'],
  ['depth', 'Depth', 'depth'],
  ['speed', 'Current', 'speed'],
  ['sure', 'How well it was measured', 'sure'],
];

const EXTRAS = [
  ['lies', 'Lies', true],
  ['current', 'Which way the water runs', true],
  ['seams', 'Seams', true],
  ['shade', 'Trees, walls and bridges that shade', false],
  ['wading', 'Where to wade with strong care (dots)', false],
  ['lanes', 'Lanes to drift', false],
  ['stances', 'Places to stand', false],
  ['thin', 'Fade where little was measured', true],
  ['imagery', 'Background map, when there is a network', true],
];

const DEEPEST_SHOWN = 2.5; // [m] full colour of depth
const FASTEST_SHOWN = 2; // [m/s] full colour of speed; walking pace is about two thirds of it

function legendWords(ramp) {
  const fifths = [0.1, 0.3, 0.5, 0.7, 0.9];
  if (ramp === 'depth') return fifths.map((f) => units.length(f * DEEPEST_SHOWN, 1));
  if (ramp === 'speed') return fifths.map((f) => units.speed(f * FASTEST_SHOWN));
  return RAMPS[ramp].words;
}

// In the greys of print where `grey`.
function drawLegend(title, ramp, extra, grey) {
  const words = legendWords(ramp);
  const colours = grey ? classGreys(ramp).map((v) => [v, v, v]) : classColours(ramp, words.length);
  const steps = el('div', { class: 'steps', 'aria-hidden': 'true' }, ...colours.map((colour) => {
    const box = el('i');
    box.style.background = `rgb(${colour.join(',')})`;
    return box;
  }));
  const named = el('div', { class: 'step-words' }, ...words.map((word) => el('span', { text: word })));
  $('legend').replaceChildren(el('p', {}, el('b', { text: title })), steps, named, ...(extra ? [el('p', { text: extra })] : []));
}

// The signs on the map in words; only those this beat has. Those of a lie come and go, and that of the notes, which stands
// at the end already, with the notes.
function drawSigns(D, U) {
  const signs = ['Outline of a lie: solid prime, dashed feeding, dotted sheltering.'];
  if (D.shapes.current.length) signs.push(`Arrows: which way the water runs${D.guessed.upstream ? ', by guess' : ''}.`);
  if (D.shapes.seams.length) signs.push('Dotted lines on the water: seams, where faster water meets slower.');
  if (U.layers.confidence.some((v) => v < 1)) signs.push('Pale slanting lines: little or nothing was measured there.');
  if (U.layers.wading_dark.some((v) => v >= 3)) signs.push('Dark slanting lines with a pale edge: do not wade. After dark there are more of them.');
  if (guessText(D.guessed)) signs.push(`Where one can wade is not known, with dots or without: ${guessText(D.guessed)}.`);
  if (U.layers.redd.some((v) => v)) signs.push('Grey gravel, in the season: trout spawn here. Keep off it.');
  const ofLie = [];
  if (D.shapes.lanes.length) ofLie.push(['lanes', 'Dashed lines through a chosen lie: lanes to drift.']);
  if (D.shapes.stances.length) ofLie.push(['stances', 'White drops: where to stand for a lie.']);
  if (D.shapes.lanes.some((lane) => lane.seams.length)) ofLie.push(['lanes', 'Ring on a lane: it crosses a seam there, where a drift begins to drag.']);
  $('signs').prepend(...signs.map((text) => el('li', { text })), ...ofLie.map(([of, text]) => el('li', { text, 'data-of': of })));
}

// A sheet of paper can't be asked for more: it explains what is drawn on it.
function signsOnPaper(on, drawn) {
  for (const line of document.querySelectorAll('#signs [data-of]')) line.hidden = on && !drawn(line.dataset.of);
}
