// The lies in the order to fish them in the first scene; a touch goes to the hour one is met, and to the lie.

function fillOrder(page) {
  const { D, state, place } = page;
  $('order-part').hidden = !D.order.length;
  $('order-of').textContent = `As in “${D.scenes[0].name}”, ${D.days[0].date}.`;
  $('order').replaceChildren(...D.order.map((stop) => {
    const go = () => {
      Object.assign(state.setting, asScene(D.scenes[0]), { step: stop.step });
      place.lie(stop.lie);
    };
    return el('li', {}, el('button', { type: 'button', class: 'lie-line-button', onclick: go },
      el('span', { class: 'number', text: String(stop.lie) }),
      el('span', {}, el('b', { text: stop.when }), ` ${units.said(stop.why)}`)));
  }));
}
