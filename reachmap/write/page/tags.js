// Where numbered tags go, so that they can be read: the more important first, each beside its lie where nothing stands
// yet. One that finds no room is left out until the map is closer.

const DOT = 4; // [px] around the point of a lie that its mark takes

// The line from a tag to its point, both as seen from the tag's upper left corner; the point lies at -dx, -dy.
function tagLine(dx, dy, size) {
  const [x, y] = [-dx, -dy].map((v) => Math.min(Math.max(v, 0), size));
  const [across, down] = [-dx - x, -dy - y];
  const length = Math.hypot(across, down);
  // Where it runs, in parts of a few pixels.
  const parts = Math.ceil(length / 6);
  const along = Array.from({ length: parts }, (_, k) => [x + (across * k) / parts, y + (down * k) / parts]);
  return { x, y, length, turn: Math.atan2(down, across), along };
}

// points: [x, y] on the screen in order of importance; the first `must` are placed whatever is in the way, farther off
// where that leaves more to be seen; so may those up to `loose`, if there is room.
// room: {left, top, right, bottom} on the screen; taken: boxes of that kind to leave free if one can; marked: the points
// again if they have marks, of which tags cover as few as they can, and those of the first `must` only one another's.
// Returns for each point the upper left corner of its tag from the point, or null.
function placeTags(points, size, room, { must = 0, loose = must, taken = [], marked = [], gap = 4 } = {}) {
  const [far, mid] = [size + gap, size / 2];
  const sides = [[gap, -far], [-far, -far], [gap, gap], [-far, gap], [-mid, -far], [gap, -mid], [-far, -mid], [-mid, gap]];
  const turns = Array.from({ length: 16 }, (_, k) => (k * Math.PI) / 8);
  const wide = [1.5, 2.2, 2.9].flatMap((off) => turns.map((turn) => [Math.cos(turn), Math.sin(turn)].map((v) => off * size * v - mid)));
  const around = ([x, y], r) => ({ left: x - r, top: y - r, right: x + r, bottom: y + r });
  const hits = (boxes, a) => boxes.some((b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom);
  const marks = marked.map((at) => around(at, DOT));
  const tags = [];

  function spotAt(x, y, [dx, dy]) {
    const line = tagLine(dx, dy, size);
    const along = line.along.map(([a, b]) => around([x + dx + a, y + dy + b], 1));
    return { dx, dy, along, length: line.length, left: x + dx, top: y + dy, right: x + dx + size, bottom: y + dy + size };
  }
  // What speaks against a spot: marks under it, a line longer than beside the point, what it should leave free; the
  // weights are assumed.
  function cost(spot, own) {
    const under = marks.reduce((sum, mark, j) => sum + (j !== own && hits([mark], spot) ? (j < must ? 3 : 1) : 0), 0);
    return under + Math.max(0, spot.length - 1.5 * gap) / size + (hits(taken, spot) ? 5 : 0);
  }
  return points.map(([x, y], k) => {
    const inside = x >= room.left && x <= room.right && y >= room.top && y <= room.bottom;
    if (!inside && k >= must) return null;
    const spots = (k < loose ? [...sides, ...wide] : sides)
      .map((side) => spotAt(x, y, side))
      .filter((s) => !inside || (s.left >= room.left && s.top >= room.top && s.right <= room.right && s.bottom <= room.bottom));
    const kept = k < must ? tags : [...tags, ...taken, ...marks.slice(0, must)];
    const clear = spots.filter((spot) => !hits(kept, spot) && !spot.along.some((part) => hits(tags, part)));
    const priced = clear.map((spot) => [cost(spot, k), spot]).sort(([a], [b]) => a - b);
    const found = priced.length ? priced[0][1] : k < must ? spots[0] : null;
    if (!found) return null;
    tags.push(found, ...found.along);
    return [found.dx, found.dy];
  });
}
