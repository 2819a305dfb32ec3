// Where numbered tags go, so that they can be read: the more important first, each beside its lie where nothing stands
// yet. One that finds no room is left out until the map is closer.

// points: [x, y] on the screen in order of importance; the first `must` are placed whatever is in the way.
// room: {left, top, right, bottom} on the screen; taken: boxes of that kind to leave free if one can.
// Returns for each point the upper left corner of its tag from the point, or null.
function placeTags(points, size, room, { must = 0, taken = [], gap = 4 } = {}) {
  const [far, mid] = [size + gap, size / 2];
  const sides = [[gap, -far], [-far, -far], [gap, gap], [-far, gap], [-mid, -far], [gap, -mid], [-far, -mid], [-mid, gap]];
  const wide = sides.map(([dx, dy]) => [dx < -mid ? dx - mid : dx === gap ? dx + mid : dx, dy < -mid ? dy - mid : dy === gap ? dy + mid : dy]);
  const tags = [];
  const hits = (boxes, a) => boxes.some((b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom);
  return points.map(([x, y], k) => {
    const inside = x >= room.left && x <= room.right && y >= room.top && y <= room.bottom;
    if (!inside && k >= must) return null;
    const spots = (k < must ? [...sides, ...wide] : sides)
      .map(([dx, dy]) => ({ dx, dy, left: x + dx, top: y + dy, right: x + dx + size, bottom: y + dy + size }))
      .filter((s) => !inside || (s.left >= room.left && s.top >= room.top && s.right <= room.right && s.bottom <= room.bottom));
    const clear = spots.filter((spot) => !hits(tags, spot));
    const found = clear.find((spot) => !hits(taken, spot)) || (k < must ? clear[0] || spots[0] : null);
    if (!found) return null;
    tags.push(found);
    return [found.dx, found.dy];
  });
}
