// Where the person with the map is, if the device may tell, and how far the chosen lie is from there.

function watchPosition({ L, map, state, lies, shapes, say, refresh }) {
  const icon = L.divIcon({ className: 'here', iconSize: [20, 20], html: '' });
  const mark = L.marker([0, 0], { icon, alt: 'You', keyboard: false, interactive: false });
  const near = L.circle([0, 0], { radius: 1, color: '#1769a8', weight: 1, fillOpacity: 0.08, interactive: false });
  const pressed = (on) => $('where').setAttribute('aria-pressed', String(on));

  const reaches = (metres) => state.here.toBounds(2 * metres).intersects(shapes.bounds);
  let shown = false;

  // Into the view once, so that the map may be pushed away from it; not from far off, where there is no map.
  function show() {
    if (shown || !reaches(NEAR_M)) return;
    shown = true;
    map.panInside(state.here, aroundPlace());
  }
  function tell(accuracy) {
    const off = reaches(Math.max(NEAR_M, accuracy)) ? '' : 'You are not on this beat. ';
    const lie = state.ranked.length ? lies.get(state.chosen ?? state.ranked[0].n) : null;
    const far = lie ? `Lie ${lie.n} is ${units.far(map.distance(state.here, lie.at))} away; your` : 'Your';
    say(`${off}${far} position is good to ${units.far(accuracy)}.`);
  }
  function found({ coords }) {
    const first = !state.here;
    state.here = L.latLng(coords.latitude, coords.longitude);
    mark.setLatLng(state.here).addTo(map);
    near.setLatLng(state.here).setRadius(coords.accuracy).addTo(map);
    show();
    if (first) tell(coords.accuracy);
    refresh();
  }
  // Refused (1, by the standard), or without a sight of the sky for a while: then the place last found stays.
  function lost({ code }) {
    if (code !== 1) {
      say('No position just now; waiting.');
      return;
    }
    say('The position was not given.');
    stop();
  }
  function stop() {
    navigator.geolocation.clearWatch(state.watch);
    Object.assign(state, { watch: null, here: null });
    shown = false;
    mark.remove();
    near.remove();
    pressed(false);
    refresh();
  }
  $('where').addEventListener('click', () => {
    if (!navigator.geolocation) say('This device does not tell its position.');
    else if (state.watch) stop();
    else {
      pressed(true);
      state.watch = navigator.geolocation.watchPosition(found, lost, { enableHighAccuracy: true, maximumAge: 5000 });
    }
  });
}
