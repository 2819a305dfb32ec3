// Packed layers back to typed arrays: base64, inflate, byte planes.

async function inflate(text) {
  const raw = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const stream = new Blob([raw]).stream().pipeThrough(new DecompressionStream('deflate'));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

async function unpackLayer(packed, n) {
  const raw = await inflate(packed.data);
  if (packed.bytes === 1) return raw;
  const out = new Uint16Array(n);
  for (let i = 0; i < n; i++) out[i] = raw[i] | (raw[n + i] << 8);
  return out;
}

async function unpackShade(packed, n) {
  const raw = await inflate(packed.data);
  const rows = packed.steps.map((_, k) => raw.subarray(k * n, (k + 1) * n));
  for (let k = 1; k < rows.length; k++) for (let i = 0; i < n; i++) rows[k][i] += rows[k - 1][i];
  return { steps: packed.steps, up: new Set(packed.up), rows };
}

// Everything at once; `index` gives for every pixel its place in a wet vector, -1 where dry.
async function unpack(D) {
  const [w, h] = D.size;
  const bits = await inflate(D.wet);
  const index = new Int32Array(w * h).fill(-1);
  let n = 0;
  for (let i = 0; i < w * h; i++) if (bits[i >> 3] & (128 >> (i & 7))) index[i] = n++;
  const layers = {};
  for (const [name, packed] of Object.entries(D.layers)) layers[name] = await unpackLayer(packed, D.n);
  const sun = await unpackShade(D.day.sun, D.n);
  const moon = await unpackShade(D.day.moon, D.n);
  return { index, layers, sun, moon };
}
