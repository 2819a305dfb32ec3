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

function makePainter(U) {
  const pictures = U.tiles.map((tile) => new ImageData(tile.w, tile.h));
  // `code` gives each wet cell a number 0-255 of the colour table.
  function paint(layer, code, table) {
    U.tiles.forEach(({ cells, pixels }, k) => {
      const out = new Uint32Array(pictures[k].data.buffer);
      for (let j = 0; j < cells.length; j++) out[pixels[j]] = table[code[cells[j]]];
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
