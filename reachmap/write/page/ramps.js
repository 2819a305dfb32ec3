// Colours: one family a quantity, lightness falling (light at the bed: rising) all the way, so that they read in
// grey and to every kind of eye. `stops` are evenly spaced; `words` go with the middle of each fifth. What gets better
// or worse has two families; its `greys` fall all the way, or in print the one could not be told from the other.

const RAMPS = {
  day: {
    stops: ['#f3e9c6', '#e3c572', '#c68a2e', '#96501c', '#5a2312'],
    words: ['rarely', 'now and then', 'fair', 'likely', 'best water'],
  },
  night: {
    stops: ['#e6ecef', '#b3c2cf', '#7b8fae', '#4d5a8c', '#252a5c'],
    words: ['rarely', 'now and then', 'fair', 'likely', 'best water'],
  },
  light: {
    stops: ['#17130f', '#4d3d2b', '#8f7546', '#d4b977', '#fff6dc'],
    words: ['dark', 'dim', 'half-light', 'daylight', 'bright'],
  },
  gloom: {
    stops: ['#101119', '#363a52', '#6a7190', '#a2abc4', '#e2e8f2'],
    words: ['black', 'very dark', 'dark', 'dim', 'brighter'],
  },
  depth: { stops: ['#e4efe9', '#a9d0c8', '#63a8a6', '#2b7580', '#0d3f50'], words: null },
  speed: { stops: ['#f1e8ee', '#d6b4cb', '#b07ba2', '#7c4877', '#451f49'], words: null },
  sure: { stops: ['#efe9da', '#b9b3a3', '#5d6664'], words: ['a guess', 'between', 'measured'] },
  change: {
    stops: ['#7a4413', '#c79a66', '#f7f4ec', '#6fb0ab', '#135a63'],
    words: ['much worse', 'worse', 'the same', 'better', 'much better'],
    greys: [238, 192, 146, 100, 54],
  },
};

function rgb(hex) {
  return [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16));
}

// 256 colours of a ramp as the 32-bit numbers a canvas holds (little-endian: alpha, blue, green, red).
function colourTable(stops) {
  const out = new Uint32Array(256);
  const parts = stops.map(rgb);
  for (let k = 0; k < 256; k++) {
    const x = (k / 255) * (parts.length - 1);
    const a = Math.min(parts.length - 2, Math.floor(x));
    const [r, g, b] = parts[a].map((v, c) => Math.round(v + (parts[a + 1][c] - v) * (x - a)));
    out[k] = ((255 << 24) | (b << 16) | (g << 8) | r) >>> 0;
  }
  return out;
}

// Red, green and blue of so many classes of a ramp, as the legend shows them.
function classColours(ramp, count) {
  return Array.from({ length: count }, (_, k) => {
    const v = TABLES[ramp][Math.round(((k + 0.5) / count) * 255)];
    return [v & 255, (v >> 8) & 255, (v >> 16) & 255];
  });
}

const TABLES = Object.fromEntries(Object.entries(RAMPS).map(([name, ramp]) => [name, colourTable(ramp.stops)]));

// For print: the classes of the legend as plain greys, 0-255.
function classGreys(ramp) {
  const { stops, words, greys } = RAMPS[ramp];
  return greys || classColours(ramp, (words || stops).length).map(([r, g, b]) => Math.round(0.2126 * r + 0.7152 * g + 0.0722 * b));
}

function greyTable(ramp) {
  const greys = classGreys(ramp);
  return Uint32Array.from({ length: 256 }, (_, code) => ((255 << 24) | (greys[Math.floor((code * greys.length) / 256)] * 0x010101)) >>> 0);
}

const GREYS = Object.fromEntries(Object.keys(RAMPS).map((name) => [name, greyTable(name)]));
