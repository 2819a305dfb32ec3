// The lies: ranked anew for every hour and sky, one line each.

const LIE_LINES = { sheltering: '1 5', feeding: '7 5', prime: null };

function makeLies(L, map, D, U, physics, choose) {
  const label = U.layers.lie;
  const outlines = L.layerGroup().addTo(map);
  const tags = L.layerGroup().addTo(map);
  const markers = new Map();
  for (const lie of D.lies) {
    L.polygon(lie.rings, {
      className: 'lie-line', weight: 2, fill: false, dashArray: LIE_LINES[lie.kind], color: '#1f2a2e', interactive: false,
    }).addTo(outlines);
    const icon = L.divIcon({ className: 'lie-tag', iconSize: [28, 28], iconAnchor: [-4, 32], html: String(lie.n) });
    const name = `Lie ${lie.n}, ${lie.kind}`;
    markers.set(lie.n, L.marker(lie.at, { icon, alt: name, title: name }).on('click', () => choose(lie.n)).addTo(tags));
  }

  // Mean score, light and sun of every lie, best first.
  function rank(setting, result) {
    const sums = D.lies.map(() => ({ score: 0, lux: 0, sun: 0, count: 0 }));
    const places = new Map(D.lies.map((lie, k) => [lie.n, sums[k]]));
    const { sunShade } = physics.lightNow(setting);
    for (let i = 0; i < label.length; i++) {
      if (!label[i]) continue;
      const sum = places.get(label[i]);
      sum.score += result.hold[i];
      sum.lux += result.lux[i];
      sum.sun += sunShade ? sunShade[i] / 255 : 0;
      sum.count += 1;
    }
    return D.lies
      .map((lie, k) => {
        const { score, lux, sun, count } = sums[k];
        const by = Math.max(1, count);
        return { ...lie, score: score / by, lux: lux / by, sun: sun / by };
      })
      .sort((a, b) => b.score - a.score || a.n - b.n);
  }

  function sky(lie, setting) {
    if (D.day.altitude[setting.step][0] < -0.8) return luxWord(lie.lux) === 'dusk' ? 'in the dusk' : 'in the dark';
    if (setting.cloud >= 6) return 'under cloud';
    return lie.sun < 0.5 ? 'in shade now' : 'in the sun now';
  }

  const line = (lie, setting) =>
    `${lie.kind}, ${scoreWord(lie.score)}: ${units.length(lie.depth_m, 1)} deep, drift ${units.speed(lie.drift_m_s)}, ${sky(lie, setting)}`;

  function show(ranked, setting, chosen) {
    const item = (lie) => el('li', {}, el('button', {
      type: 'button', class: 'lie-line-button', 'aria-pressed': String(lie.n === chosen), onclick: () => choose(lie.n),
    }, el('span', { class: 'number', text: String(lie.n) }), el('span', { text: line(lie, setting) })));
    $('best').replaceChildren(...ranked.slice(0, 3).map(item));
    $('all-lies').replaceChildren(...[...ranked].sort((a, b) => a.n - b.n).map(item));
    const best = new Set(ranked.slice(0, 3).map((lie) => lie.n));
    for (const [n, marker] of markers) {
      const node = marker.getElement();
      if (!node) continue;
      node.classList.toggle('best', best.has(n));
      node.classList.toggle('chosen', n === chosen);
      marker.setZIndexOffset(n === chosen ? 2000 : best.has(n) ? 1000 : 0);
    }
  }

  // The sentence written for the scene nearest to what is set now.
  function reason(lie, setting) {
    const far = (scene) => Math.abs(scene.step - setting.step) + 10 * Math.abs(scene.cloud - setting.cloud);
    const scene = [...D.scenes].sort((a, b) => far(a) - far(b))[0];
    return scene && lie.why[scene.name] ? { scene: scene.name, text: lie.why[scene.name] } : null;
  }

  return { rank, show, reason, line, get: (n) => D.lies.find((lie) => lie.n === n), outlines, tags };
}
