// Notes that no map wrote: what they say, and a name for one that has none, both as the reader of a beat's files makes
// them. So a note is one note, whoever read it.

// As the reader of a beat's files: one line, no control characters but those that join letters or the parts of a picture
// (U+200C, U+200D), so that a note read back is the one written here.
const oneLine = (text) => text.replace(/(?:(?![\u200c\u200d])[\p{C}\s])+/gu, ' ').trim();

// What a feature says that no map wrote: from all columns that may say something, what is said already not said again.
function saidElsewhere(properties, columns) {
  const given = Object.fromEntries(Object.entries(properties).map(([name, value]) => [name.trim().toLowerCase(), value]));
  const column = (names) => oneLine(String(names.map((name) => given[name]).find((value) => value != null) ?? ''));
  const text = columns.words.map(column).reduce((all, part) => (all.includes(part) ? all : all ? `${all} - ${part}` : part), '');
  return { text, kind: column(columns.kind) };
}

// Of the first 64 primes the fractions of a root, as 32 bits each: the constants of the hash.
const SHA_PRIMES = [];
for (let n = 2; SHA_PRIMES.length < 64; n++) if (SHA_PRIMES.every((prime) => n % prime)) SHA_PRIMES.push(n);
const fractions = (primes, root) => primes.map((prime) => ((root(prime) % 1) * 2 ** 32) | 0);
const SHA_ROUNDS = fractions(SHA_PRIMES, Math.cbrt);
const SHA_FIRST = fractions(SHA_PRIMES.slice(0, 8), Math.sqrt);

// SHA-256 of a text without other letters than ASCII's (FIPS 180-4), in hexadecimal figures. A browser gives its own only
// to pages that came over a safe line.
function sha256(text) {
  const bytes = new Uint8Array(64 * Math.ceil((text.length + 9) / 64));
  for (let k = 0; k < text.length; k++) bytes[k] = text.charCodeAt(k);
  bytes[text.length] = 0x80;
  const view = new DataView(bytes.buffer);
  view.setUint32(bytes.length - 4, 8 * text.length);
  const turned = (x, ...by) => by.reduce((all, n) => all ^ ((x >>> n) | (x << (32 - n))), 0);
  const w = new Int32Array(64);
  let hash = SHA_FIRST;
  for (let at = 0; at < bytes.length; at += 64) {
    for (let t = 0; t < 64; t++) {
      const [x, y] = [w[t - 15], w[t - 2]];
      w[t] = t < 16 ? view.getInt32(at + 4 * t)
        : w[t - 16] + (turned(x, 7, 18) ^ (x >>> 3)) + w[t - 7] + (turned(y, 17, 19) ^ (y >>> 10));
    }
    let [a, b, c, d, e, f, g, h] = hash;
    for (let t = 0; t < 64; t++) {
      const one = h + turned(e, 6, 11, 25) + ((e & f) ^ (~e & g)) + SHA_ROUNDS[t] + w[t];
      const two = turned(a, 2, 13, 22) + ((a & b) ^ (a & c) ^ (b & c));
      [a, b, c, d, e, f, g, h] = [(one + two) | 0, a, b, c, (d + one) | 0, e, f, g];
    }
    hash = [a, b, c, d, e, f, g, h].map((value, k) => (value + hash[k]) | 0);
  }
  return hash.map((value) => (value >>> 0).toString(16).padStart(8, '0')).join('');
}

// A place [longitude, latitude] to a centimetre, without its height.
const roundedPlace = (coordinates) => coordinates.slice(0, 2).map((value) => Number(value.toFixed(7)) + 0);

// The name of a note that has none, from what it says and where; figures and letters are written out as the reader does.
function noteId(text, coordinates) {
  const figures = (value) => {
    if (Number.isInteger(value)) return value.toFixed(1);
    return Math.abs(value) < 1e-4 ? value.toExponential().replace(/-(\d)$/, '-0$1') : String(value);
  };
  const ascii = JSON.stringify(text).replace(/[^ -~]/g, (letter) => `\\u${letter.charCodeAt(0).toString(16).padStart(4, '0')}`);
  return sha256(`[${ascii}, [${roundedPlace(coordinates).map(figures).join(', ')}]]`).slice(0, 16);
}

// How many notes of a file came in, and what did not.
function loadedText(points, others) {
  if (!points.length && !others) return 'That file holds no notes. Choose a notes.geojson downloaded from a map.';
  const count = points.filter(({ properties: p }) => !p.deleted).length;
  const came = points.length ? `${count} ${count === 1 ? 'note' : 'notes'} loaded and put together with those here.` : 'No note came in.';
  if (!others) return came;
  return `${came} ${others} ${others === 1 ? 'line, area or thing without a place was' : 'lines, areas or things without a place were'} left out.`;
}
