// The water as a canvas laid over the map: every wet cell one pixel, enlarged without blurring.

function makeCanvasLayer(L, map, D, pane) {
  const [w, h] = D.size;
  const Layer = L.ImageOverlay.extend({
    _initImage() {
      const canvas = (this._image = document.createElement('canvas'));
      canvas.width = w;
      canvas.height = h;
      canvas.className = 'leaflet-image-layer leaflet-zoom-animated water';
      canvas.setAttribute('aria-hidden', 'true');
    },
  });
  return new Layer('', D.corners, { pane, interactive: false }).addTo(map);
}

function makePainter(D, U) {
  const [w, h] = D.size;
  const pixel = new Int32Array(D.n);
  U.index.forEach((i, at) => {
    if (i >= 0) pixel[i] = at;
  });
  const INK = 0xff2e2a1f;
  const PAPER = 0xffecf4f7;
  const BAYER = [0, 8, 2, 10, 12, 4, 14, 6, 3, 11, 1, 9, 15, 7, 13, 5];
  const picture = new ImageData(w, h);
  const out = new Uint32Array(picture.data.buffer);
  const thin = U.layers.confidence;
  const wading = U.layers.wading;

  // `code` gives each wet cell a number 0-255 of the colour table.
  function paint(layer, code, table, { printing = false, hatch = true, wade = false } = {}) {
    for (let i = 0; i < D.n; i++) {
      const at = pixel[i];
      const x = at % w;
      const y = (at - x) / w;
      if (printing) {
        const dark = code[i] * 16 > 255 * BAYER[(y & 3) * 4 + (x & 3)] + 128;
        out[at] = dark ? 0xff000000 : 0xffffffff;
        continue;
      }
      out[at] = table[code[i]];
      if (hatch && thin[i] < 1 && ((x + y) & 3) === 0) out[at] = PAPER;
      if (wading && (wading[i] >= 3 || (wade && wading[i] === 2))) {
        const line = wading[i] >= 3 ? (x - y) % 5 === 0 : x % 5 === 0 && y % 5 === 0;
        if (line) out[at] = INK;
      }
    }
    layer._image.getContext('2d').putImageData(picture, 0, 0);
  }

  // The wet cell under a place on the map, -1 on land.
  function locate(map, latlng) {
    const [[south, west], [north, east]] = D.corners;
    const a = map.project([north, west], 20);
    const b = map.project([south, east], 20);
    const p = map.project(latlng, 20);
    const col = Math.floor(((p.x - a.x) / (b.x - a.x)) * w);
    const row = Math.floor(((p.y - a.y) / (b.y - a.y)) * h);
    return col >= 0 && row >= 0 && col < w && row < h ? U.index[row * w + col] : -1;
  }

  return { paint, locate };
}
