// Lines and marks drawn on the water: outline, seams, shade, lanes, places to stand. Groups by the name of their switch.

// A dark line over a pale, wider one, so that it can be seen on dark water too; `draw` makes one of a given look.
const withHalo = (draw, look) => [draw({ ...look, className: 'halo', color: '#f7f4ec', weight: look.weight + 3 }), draw(look)];

function makeShapes(L, map, D, say) {
  const ink = { color: '#1f2a2e', weight: 1.5, fill: false, interactive: false };
  const outline = L.polygon(D.shapes.outline, { ...ink, className: 'edge' }).addTo(map);
  const ring = (at) => L.circleMarker(at, { ...ink, radius: 5, weight: 2, fill: true, fillColor: '#f7f4ec', fillOpacity: 1 });
  const ofLie = (n, marks, more) => marks.map((mark) => ({ lie: n, mark, ...more }));
  const lanes = D.shapes.lanes.flatMap((lane) => ofLie(lane.lie, [
    ...lane.lines.flatMap((points) => withHalo((look) => L.polyline(points, look), { ...ink, weight: 2, dashArray: '10 4' })),
    ...lane.seams.map(ring),
  ]));
  const nameOf = (stance) => `${standWord(stance)} for lie ${stance.lie}: ${standText(stance)}`;
  const stances = D.shapes.stances.flatMap((stance) => {
    const icon = L.divIcon({ className: 'stance', iconSize: [22, 22], html: '' });
    return ofLie(stance.lie, [onPress(L.marker(stance.at, { icon }), () => say(nameOf(stance)))], { stance });
  });
  const shaders = { className: 'shade', color: '#4a5a4c', weight: 1, fillOpacity: 0.25, interactive: false };
  const groups = {
    seams: L.layerGroup(D.shapes.seams.flatMap((points) => withHalo((look) => L.polyline(points, look), { ...ink, dashArray: '2 4' }))),
    shade: L.layerGroup(D.shapes.shade.map((points) => L.polygon(points, shaders))),
    lanes: L.layerGroup(lanes.map(({ mark }) => mark)),
    stances: L.layerGroup(stances.map(({ mark }) => mark)),
  };

  // Lanes and places to stand: those of the chosen lie in any case, those of all by their switches while none is chosen.
  // Their names are in the units chosen.
  let focused = '';
  const own = L.layerGroup().addTo(map);
  function focus(chosen, setting) {
    const next = JSON.stringify([chosen, setting.day, isDark(D, setting), units.imperial]);
    if (next === focused) return;
    focused = next;
    own.clearLayers();
    for (const [group, marks] of [[groups.lanes, lanes], [groups.stances, stances]]) {
      group.clearLayers();
      for (const { lie, mark, stance } of marks) {
        if (stance && !stancesFor(D, lie, setting).includes(stance)) continue;
        if (stance) mark.options.alt = mark.options.title = nameOf(stance);
        if (chosen === null) group.addLayer(mark);
        else if (lie === chosen) own.addLayer(mark);
      }
    }
  }
  const drawn = (name) => (name === 'lanes' ? lanes : stances).some(({ mark }) => map.hasLayer(mark));
  return { bounds: outline.getBounds(), groups, focus, drawn };
}
