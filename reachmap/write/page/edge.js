// Cover at a moment: what lasts, or the edge of the shade where that counts for more, as the Python side works it out.

function makeCover(D, U, { shade, remember }) {
  const { n } = D;
  const lasting = U.layers.cover_number;
  const { step } = D.layers.cover_number;

  // The cells a step to the east, west, south and north of each; the cell itself where that is land.
  const beside = () => remember('beside', D.edge_step, () => {
    const far = D.edge_step;
    return [[0, far], [0, -far], [far, 0], [-far, 0]].map(([down, aside]) => {
      const out = new Int32Array(n);
      for (let i = 0; i < n; i++) {
        const j = U.at(U.row[i] + down, U.col[i] + aside);
        out[i] = j < 0 ? i : j;
      }
      return out;
    });
  });

  // The sun's shade of one step in 255 parts, between two carried steps if need be.
  function sunNow({ from, to, part }) {
    if (part === 0) return from;
    const out = new Float32Array(n);
    for (let i = 0; i < n; i++) out[i] = from[i] + part * (to[i] - from[i]);
    return out;
  }

  // Packed as the layer of lasting cover is.
  function coverNow(s) {
    const [sun, ...rest] = D.days[s.day].lux[s.step][s.cloud];
    const shadow = sun > 0 ? shade('sun', s.day, s.step) : null;
    if (!shadow) return lasting;
    return remember('cover', `${s.day} ${s.step} ${s.cloud}`, () => {
      const worth = (D.curves.edge_share * sun) / (rest.reduce((sum, v) => sum + v, sun) * 255 * step);
      const lit = sunNow(shadow);
      const [east, west, south, north] = beside();
      const out = new Uint16Array(n);
      for (let i = 0; i < n; i++) {
        const best = Math.max(lit[east[i]], lit[west[i]], lit[south[i]], lit[north[i]]);
        const edge = worth * (best - lit[i]) + 0.5;
        out[i] = edge > lasting[i] ? edge : lasting[i];
      }
      return out;
    });
  }

  return coverNow;
}
