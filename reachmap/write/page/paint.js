// The water as canvases laid over the map: every wet cell one pixel, enlarged without blurring. A canvas a square piece
// of the grid, each put where its own corners are, so that a long reach neither drifts off its place nor outgrows what
// a phone's canvas can hold.

function makeWaterLayer(L, map, U, pane) {
  const Piece = L.ImageOverlay.extend({
    _initImage() {
      const canvas = (this._image = document.createElement('canvas'));
      canvas.width = this.options.w;
      canvas.height = this.options.h;
      canvas.className = 'leaflet-image-layer leaflet-zoom-animated water';
      canvas.setAttribute('aria-hidden', 'true');
    },
  });
  const pieces = U.tiles.map(({ corners, w, h }) => new Piece('', corners, { pane, w, h, interactive: false }).addTo(map));
  return {
    canvases: pieces.map((piece) => piece._image),
    hide(on) { for (const piece of pieces) piece._image.hidden = on; },
  };
}

// Textures of the water, as bits beside each other in one byte a cell.
const MARK = { thin: 1, stay: 2, care: 4, redd: 8 };

function makePainter(D, U) {
  const INK = 0xff2e2a1f;
  const PAPER = 0xffecf4f7;
  const GREY = 0xff8a8a88;
  const pictures = U.tiles.map((tile) => new ImageData(tile.w, tile.h));
  const { confidence, redd } = U.layers;
  function marked(wading) {
    const out = new Uint8Array(D.n);
    for (let i = 0; i < D.n; i++) {
      const [x, y] = [U.col[i], U.row[i]];
      if (confidence[i] < 1 && ((x + y) & 3) === 0) out[i] |= MARK.thin;
      if (wading[i] >= 3 && (x - y) % 6 === 0) out[i] |= MARK.stay;
      if (wading[i] === 2 && x % 5 === 0 && y % 5 === 0) out[i] |= MARK.care;
      if (redd[i] && (x + y) & 1) out[i] |= MARK.redd;
    }
    return out;
  }
  const byDay = marked(U.layers.wading);
  const byNight = marked(U.layers.wading_dark);

  // `code` gives each wet cell a number 0-255 of the colour table.
  function paint(layer, code, table, { hatch = true, wade = false, night = false } = {}) {
    const marks = night ? byNight : byDay;
    const wanted = MARK.stay | MARK.redd | (hatch ? MARK.thin : 0) | (wade ? MARK.care : 0);
    U.tiles.forEach((tile, k) => {
      const { cells, pixels } = tile;
      const out = new Uint32Array(pictures[k].data.buffer);
      for (let j = 0; j < cells.length; j++) {
        const i = cells[j];
        const mark = marks[i] & wanted;
        let colour = table[code[i]];
        if (mark) colour = mark & (MARK.stay | MARK.care) ? INK : mark & MARK.redd ? GREY : PAPER;
        out[pixels[j]] = colour;
      }
      layer.canvases[k].getContext('2d').putImageData(pictures[k], 0, 0);
    });
  }

  // The wet cell under a place on the map, -1 on land.
  function locate(map, latlng) {
    const p = map.project(latlng, 20);
    for (const { corners: [[south, west], [north, east]], w, h, index } of U.tiles) {
      const a = map.project([north, west], 20);
      const b = map.project([south, east], 20);
      const col = Math.floor(((p.x - a.x) / (b.x - a.x)) * w);
      const row = Math.floor(((p.y - a.y) / (b.y - a.y)) * h);
      if (col >= 0 && row >= 0 && col < w && row < h) return index[row * w + col];
    }
    return -1;
  }

  return { paint, locate };
}
