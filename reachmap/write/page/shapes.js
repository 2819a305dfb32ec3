// Lines and marks drawn on the water: outline, seams, shade, lanes, places to stand. Groups by the name of their switch.

function makeShapes(L, map, D, say) {
  const ink = { color: '#1f2a2e', weight: 1.5, fill: false, interactive: false };
  const outline = L.polygon(D.shapes.outline, { ...ink, className: 'edge' }).addTo(map);
  const ring = (at) => L.circleMarker(at, { ...ink, radius: 5, weight: 2, fill: true, fillColor: '#f7f4ec', fillOpacity: 1 });
  const lanes = D.shapes.lanes.flatMap((lane) => [
    ...lane.lines.map((points) => L.polyline(points, { ...ink, weight: 2, dashArray: '10 4' })),
    ...lane.seams.map(ring),
  ]);
  const stances = D.shapes.stances.map((stance) => {
    const icon = L.divIcon({ className: 'stance', iconSize: [22, 22], html: '' });
    const name = `Stand for lie ${stance.lie}. ${stance.text}`;
    return L.marker(stance.at, { icon, alt: name, title: name }).on('click', () => say(name));
  });
  const shaders = { color: '#4a5a4c', weight: 1, fillOpacity: 0.25, interactive: false };
  return {
    bounds: outline.getBounds(),
    groups: {
      seams: L.layerGroup(D.shapes.seams.map((points) => L.polyline(points, { ...ink, dashArray: '2 4' }))),
      shade: L.layerGroup(D.shapes.shade.map((points) => L.polygon(points, shaders))),
      lanes: L.layerGroup(lanes),
      stances: L.layerGroup(stances),
    },
  };
}
