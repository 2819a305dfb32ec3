// Signs over the water's colours: where not to wade, where with care, spawning gravel, where little was measured. Drawn
// in lines and dots of the screen, so that they look alike from far and near, in a canvas over the map's view.

const SIGN = { thin: 1, redd: 2, care: 4, stay: 8 }; // bits of a cell, in the order they are drawn
const MOST_PIXELS = 8e6; // of the canvas, on the finest and largest of screens; telephones refuse about twice that (from memory)
const BEYOND = 0.25; // share of the view drawn beyond each of its edges, for when the map is pushed

// A small square [px] that repeats, drawn at the fineness of the screen.
function pattern(pen, side, ratio, draw) {
  const tile = document.createElement('canvas');
  tile.width = tile.height = Math.round(side * ratio);
  const own = tile.getContext('2d');
  own.scale(tile.width / side, tile.height / side);
  draw(own, side);
  const made = pen.createPattern(tile, 'repeat');
  made.setTransform(new window.DOMMatrix().scale(side / tile.width));
  return made;
}

// Lines from the lower left to the upper right, or down where `fall`; their ends go on in the squares beside.
function slanting(colour, width, fall) {
  return (pen, side) => {
    pen.strokeStyle = colour;
    pen.lineWidth = width;
    pen.beginPath();
    for (const k of [-1, 0, 1]) {
      pen.moveTo((k - 0.5) * side, fall ? -0.5 * side : 1.5 * side);
      pen.lineTo((k + 1.5) * side, fall ? 1.5 * side : -0.5 * side);
    }
    pen.stroke();
  };
}

function dots(colour, size, places) {
  return (pen, side) => {
    pen.fillStyle = colour;
    for (const [x, y] of places) pen.fillRect(x * side - size / 2, y * side - size / 2, size, size);
  };
}

const PALE = 'rgba(247, 244, 236, 0.85)';
// One over the other: a dark sign with a pale rim can be seen on dark water too.
const over = (...parts) => (pen, side) => { for (const part of parts) part(pen, side); };

const SIGNS = {
  thin: [6, slanting(PALE, 1.5, false)],
  redd: [6, dots('#888a8a', 3, [[0.25, 0.25], [0.75, 0.75]])],
  care: [10, over(dots(PALE, 4, [[0.5, 0.5]]), dots('#1f2a2e', 2, [[0.5, 0.5]]))],
  stay: [11, over(slanting(PALE, 3.25, true), slanting('#1f2a2e', 1.5, true))],
};

function makeSigns(L, map, D, U, state) {
  const pane = map.createPane('signs');
  pane.style.zIndex = 270;
  pane.style.pointerEvents = 'none';
  const canvas = L.DomUtil.create('canvas', 'leaflet-zoom-hide', pane);
  canvas.setAttribute('aria-hidden', 'true');
  const pen = canvas.getContext('2d');

  const { confidence, redd } = U.layers;
  function signsOf(wading) {
    const out = new Uint8Array(D.n);
    for (let i = 0; i < D.n; i++) {
      out[i] = (confidence[i] < 1 ? SIGN.thin : 0) | (redd[i] ? SIGN.redd : 0) | (wading[i] >= 3 ? SIGN.stay : wading[i] === 2 ? SIGN.care : 0);
    }
    return out;
  }
  const byDay = signsOf(U.layers.wading);
  const byNight = signsOf(U.layers.wading_dark);

  // Stretches of cells along a row with the same signs that lie in the view: x, y, width, height, signs.
  function stretches(view, bits, wanted) {
    const out = [];
    for (const { corners: [[south, west], [north, east]], w, h, cells, pixels } of U.tiles) {
      const a = map.latLngToLayerPoint([north, west]);
      const b = map.latLngToLayerPoint([south, east]);
      const [wide, high] = [(b.x - a.x) / w, (b.y - a.y) / h];
      if (b.x < view.left || a.x > view.right || b.y < view.top || a.y > view.bottom) continue;
      for (let j = 0; j < cells.length;) {
        const first = j;
        const sign = bits[cells[j]] & wanted;
        const row = Math.floor(pixels[j] / w);
        const end = (row + 1) * w;
        while (++j < cells.length && pixels[j] === pixels[j - 1] + 1 && pixels[j] < end && (bits[cells[j]] & wanted) === sign);
        const y = a.y + row * high;
        if (!sign || y + high < view.top || y > view.bottom) continue;
        out.push([a.x + (pixels[first] - row * w) * wide, y, (j - first) * wide, high, sign]);
      }
    }
    return out;
  }

  // What is shown: the signs wanted, `now` and beside it the moment `kept`, each {night, spawning}; the kept one up to
  // `x` on the screen.
  let shown = null;
  function draw() {
    if (!shown) return;
    const size = map.getSize();
    const more = size.multiplyBy(BEYOND).round();
    const from = map.containerPointToLayerPoint(more.multiplyBy(-1));
    const to = map.containerPointToLayerPoint(size.add(more));
    const view = { left: from.x, top: from.y, right: to.x, bottom: to.y };
    const area = (to.x - from.x) * (to.y - from.y);
    const ratio = Math.min(state.printing ? 3 : window.devicePixelRatio || 1, Math.sqrt(MOST_PIXELS / area));
    canvas.width = (to.x - from.x) * ratio;
    canvas.height = (to.y - from.y) * ratio;
    canvas.style.width = `${to.x - from.x}px`;
    L.DomUtil.setPosition(canvas, from);
    const { wanted, now, kept, x: split } = shown;
    const line = kept ? map.containerPointToLayerPoint([split, 0]).x : view.left;
    const sides = [[line, view.right, now], ...(kept ? [[view.left, line, kept]] : [])];
    // Places on the layer, which a push of the map leaves where they are, so that lines and dots stay on their ground.
    pen.setTransform(ratio, 0, 0, ratio, -from.x * ratio, -from.y * ratio);
    for (const [left, right, { night, spawning }] of sides) {
      pen.save();
      pen.beginPath();
      pen.rect(left, view.top, right - left, view.bottom - view.top);
      pen.clip();
      const found = stretches(view, night ? byNight : byDay, spawning ? wanted : wanted & ~SIGN.redd);
      for (const [name, [side, of]] of Object.entries(SIGNS)) {
        const here = found.filter(([, , , , sign]) => sign & SIGN[name]);
        if (here.length) pen.fillStyle = pattern(pen, side, ratio, of);
        for (const [x, y, wide, high] of here) pen.fillRect(x, y, wide, high);
      }
      pen.restore();
    }
    // As pixels: what was drawn in lines Chromium prints as lines, on a white sheet that would hide the water.
    if (state.printing) pen.putImageData(pen.getImageData(0, 0, canvas.width, canvas.height), 0, 0);
  }
  map.on('moveend zoomend resize', draw);

  function show({ hatch, wade, now, kept, x }) {
    const moment = (setting) => setting && { night: isDark(D, setting), spawning: D.days[setting.day].spawning };
    const wanted = SIGN.stay | SIGN.redd | (hatch ? SIGN.thin : 0) | (wade ? SIGN.care : 0);
    const next = { wanted, now: moment(now), kept: moment(kept), x: kept ? x : 0 };
    if (JSON.stringify(next) === JSON.stringify(shown)) return;
    shown = next;
    draw();
  }
  return { show };
}
