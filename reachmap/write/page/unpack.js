// Packed layers back to typed arrays: base64, inflate, byte planes.

async function inflate(text) {
  const packed = atob(text);
  const raw = new Uint8Array(packed.length);
  for (let i = 0; i < raw.length; i++) raw[i] = packed.charCodeAt(i);
  const stream = new Blob([raw]).stream().pipeThrough(new DecompressionStream('deflate'));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

async function unpackLayer(packed) {
  const raw = await inflate(packed.data);
  if (packed.bytes === 1) return raw;
  const n = raw.length / 2;
  const out = new Uint16Array(n);
  for (let i = 0; i < n; i++) out[i] = raw[i] | (raw[n + i] << 8);
  return out;
}

// Steps that are the same on another day are taken from there.
async function unpackShade(packed, n, other) {
  const raw = await inflate(packed.data);
  for (let i = n; i < raw.length; i++) raw[i] += raw[i - n];
  const same = new Set(packed.same);
  let k = 0;
  const rows = packed.steps.map((step) => (same.has(step) ? other.rows[other.steps.indexOf(step)] : raw.subarray(k * n, ++k * n)));
  return { steps: packed.steps, up: new Set(packed.up), rows };
}

async function unpackDays(days, n) {
  const out = [];
  for (const { sun, moon } of days) out.push({ sun: await unpackShade(sun, n, out[0]?.sun), moon: await unpackShade(moon, n) });
  return out;
}

// Row and column of every wet cell, from the runs of wet cells along each row.
function wetCells(runs, n) {
  const row = new Uint16Array(n);
  const col = new Uint16Array(n);
  for (let k = 0, i = 0; k < runs.row.length; k++) {
    row.fill(runs.row[k], i, i + runs.length[k]);
    for (let j = 0; j < runs.length[k]; j++, i++) col[i] = runs.col[k] + j;
  }
  return { row, col };
}

// The map in square pieces, only those with water: the wet cells of each, the pixel of each of them, and back.
function layTiles(D, row, col) {
  const across = Math.max(...D.tiles.map((tile) => tile.col / D.tile)) + 1;
  const tiles = D.tiles.map((tile) => ({ ...tile, count: 0, index: new Int32Array(tile.w * tile.h).fill(-1) }));
  const places = [];
  for (const tile of tiles) places[(tile.row / D.tile) * across + tile.col / D.tile] = tile;
  const of = (i) => places[((row[i] / D.tile) | 0) * across + ((col[i] / D.tile) | 0)];
  for (let i = 0; i < D.n; i++) of(i).count += 1;
  for (const tile of tiles) {
    tile.cells = new Int32Array(tile.count);
    tile.pixels = new Int32Array(tile.count);
    tile.count = 0;
  }
  for (let i = 0; i < D.n; i++) {
    const tile = of(i);
    const pixel = (row[i] - tile.row) * tile.w + col[i] - tile.col;
    tile.cells[tile.count] = i;
    tile.pixels[tile.count++] = pixel;
    tile.index[pixel] = i;
  }
  // The wet cell at a row and column, -1 where there is none.
  function at(r, c) {
    const tile = r < 0 || c < 0 ? undefined : places[((r / D.tile) | 0) * across + ((c / D.tile) | 0)];
    const inside = tile && r - tile.row < tile.h && c - tile.col < tile.w;
    return inside ? tile.index[(r - tile.row) * tile.w + c - tile.col] : -1;
  }
  return { tiles, at };
}

// Everything at once.
async function unpack(D) {
  const all = async (packed, how) => {
    const made = await Promise.all(Object.values(packed).map((one) => how(one, D.n)));
    return Object.fromEntries(Object.keys(packed).map((name, k) => [name, made[k]]));
  };
  const [runs, layers, days] = await Promise.all([all(D.runs, unpackLayer), all(D.layers, unpackLayer), unpackDays(D.days, D.n)]);
  const { row, col } = wetCells(runs, D.n);
  return { row, col, ...layTiles(D, row, col), layers, days };
}
