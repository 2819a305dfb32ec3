// The lies in the order to fish them, by day or after dark; a touch goes to the hour one is met, and to the lie.

// The scene whose order is told: the one led through, else one with the light of now, or what there is.
function orderScene(D, { setting, led }) {
  if (led && led.day === setting.day && led.step === setting.step) return led.scene;
  const known = D.scenes.filter((scene) => D.orders[scene.name]);
  return known.find((one) => isDark(D, one) === isDark(D, setting)) || known[0];
}

function makeOrder({ D, state }, choose) {
  function name(scene, same, fish) {
    const { date } = D.days[scene.day];
    const hours = D.order_words[scene.name];
    const [before, after] = [`${hours ? `${hours}. ` : ''}Sky and water of “`, `”, ${date}${fish}${same ? '' : '; the water set now is another'}.`];
    if ($('order-of').textContent === before + scene.name + after) return;
    $('order-of').replaceChildren(before, el('bdi', { text: scene.name }), after);
  }
  function fill(scene) {
    const stops = D.orders[scene.name];
    $('order-part').hidden = !stops.length;
    $('order').replaceChildren(...stops.map((stop) => {
      const go = () => {
        Object.assign(state.setting, asScene(scene), { step: stop.step });
        // Followed until day or hour are set otherwise.
        state.led = { scene, day: scene.day, step: stop.step };
        choose(stop.lie);
      };
      return el('li', {}, el('button', { type: 'button', class: 'lie-line-button', onclick: go },
        el('span', { class: 'number', text: String(stop.lie) }),
        el('span', {}, el('b', { text: stop.when }), ` ${units.said(stop.why)}`)));
    }));
  }

  // Made anew, which takes the focus from a stop, only when its scene or the units change.
  let shown = '';
  function show(setting) {
    const scene = orderScene(D, state);
    name(scene, sameWater(scene, setting), forFish(D, setting));
    const wanted = `${scene.name} ${units.imperial}`;
    if (wanted === shown) return;
    shown = wanted;
    fill(scene);
  }
  return { show };
}
