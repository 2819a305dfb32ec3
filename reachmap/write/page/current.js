// Which way the water runs: arrows in the strongest current, as many as there is room for.

const ARROW = 26; // [px] long
const ARROWS_APART = 110; // [px]

function makeCurrent(L, map, D) {
  const group = L.layerGroup();
  const shape = (name) => {
    const path = document.createElementNS('http://www.w3.org/2000/svg', 'path');
    path.setAttribute('d', 'M2 8H24M17 3l7 5-7 5');
    path.setAttribute('class', name);
    return path;
  };
  const marks = D.shapes.current.map(([lat, lon, toward, order]) => {
    const arrow = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
    arrow.setAttribute('viewBox', '0 0 26 16');
    arrow.append(shape('halo'), shape('line'));
    const icon = L.divIcon({ className: 'current', iconSize: [ARROW, 16], html: arrow });
    return { order, toward, arrow, marker: L.marker([lat, lon], { icon, interactive: false, keyboard: false, zIndexOffset: -5000 }) };
  });
  const downstream = [...marks].sort((a, b) => a.order - b.order);

  // Where the current runs; from far away, where it gets to within the length of an arrow, bends left out.
  function turn({ order, toward }) {
    let [from, to] = [order, order];
    const apart = () => [downstream[to].at.x - downstream[from].at.x, downstream[to].at.y - downstream[from].at.y];
    while (Math.hypot(...apart()) < ARROW && (from > 0 || to < marks.length - 1)) {
      from = Math.max(0, from - 1);
      to = Math.min(marks.length - 1, to + 1);
    }
    const [x, y] = apart();
    return to - from <= 2 || Math.hypot(x, y) < ARROW / 2 ? toward - 90 : (Math.atan2(y, x) * 180) / Math.PI;
  }

  const box = ({ at: { x, y } }) => ({ left: x - ARROW / 2, top: y - ARROW / 2, right: x + ARROW / 2, bottom: y + ARROW / 2 });
  function clear(mark, room, taken) {
    const a = box(mark);
    const inside = a.left >= room.left && a.right <= room.right && a.top >= room.top && a.bottom <= room.bottom;
    return inside && taken.every((b) => a.right < b.left || a.left > b.right || a.bottom < b.top || a.top > b.bottom);
  }

  // The box of one arrow in the view, for others to keep away from; none where there is no room.
  function first(room, taken) {
    for (const mark of marks) mark.at = map.latLngToContainerPoint(mark.marker.getLatLng());
    return marks.filter((mark) => clear(mark, room, taken)).slice(0, 1).map(box);
  }

  // Far from one another and clear of the boxes taken; the first marks are spread over the whole beat.
  function place(room, taken) {
    const placed = [];
    for (const mark of marks) {
      const { x, y } = mark.at;
      if (clear(mark, room, taken) && placed.every(([a, b]) => Math.hypot(a - x, b - y) >= ARROWS_APART)) {
        placed.push([x, y]);
        mark.arrow.style.transform = `rotate(${turn(mark)}deg)`;
        group.addLayer(mark.marker);
      } else group.removeLayer(mark.marker);
    }
  }
  return { group, first, place };
}
