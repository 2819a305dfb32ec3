// The lies in the order to fish them, by day or after dark; a touch goes to the hour one is met, and to the lie.

// The scene whose order is told: one with the light of now, or what there is.
function orderScene(D, setting) {
  const known = D.scenes.filter((scene) => D.orders[scene.name]);
  return known.find((one) => isDark(D, one) === isDark(D, setting)) || known[0];
}

function makeOrder({ D, state }, choose) {
  function fill(scene, same) {
    const { date } = D.days[scene.day];
    const stops = D.orders[scene.name];
    $('order-part').hidden = !stops.length;
    const hours = D.order_words[scene.name];
    $('order-of').textContent = `${hours ? `${hours}. ` : ''}Sky and water of “${scene.name}”, ${date}${same ? '' : '; the water set now is another'}.`;
    $('order').replaceChildren(...stops.map((stop) => {
      const go = () => {
        Object.assign(state.setting, asScene(scene), { step: stop.step });
        choose(stop.lie);
      };
      return el('li', {}, el('button', { type: 'button', class: 'lie-line-button', onclick: go },
        el('span', { class: 'number', text: String(stop.lie) }),
        el('span', {}, el('b', { text: stop.when }), ` ${units.said(stop.why)}`)));
    }));
  }

  // Made anew when its scene or the units change.
  let shown = '';
  function show(setting) {
    const scene = orderScene(D, setting);
    const same = sameWater(scene, setting);
    const wanted = `${scene.name} ${same} ${units.imperial}`;
    if (wanted === shown) return;
    shown = wanted;
    fill(scene, same);
  }
  return { show };
}
