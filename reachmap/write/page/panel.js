// The panel's parts that don't compute: hour strip, tabs, drawer, light or dark.

// Day, dusk and night along the strip, and on its lower half the hours the chosen lie lies in shade.
function drawHours(D, setting, shadeOfLie) {
  const day = D.days[setting.day];
  const canvas = $('sky-strip');
  const pen = canvas.getContext('2d');
  const n = day.times.length;
  const wide = canvas.width / n;
  day.altitude.forEach(([sun, moon], k) => {
    pen.fillStyle = sun > 0 ? '#f3e2a2' : sun > -6 ? '#b98f6a' : sun > -12 ? '#5f6480' : moon > 0 ? '#3d4463' : '#232840';
    pen.fillRect(k * wide, 0, wide + 1, canvas.height);
    if (shadeOfLie && shadeOfLie[k] < 0.5 && shadeIsSeen(D, { ...setting, step: k })) {
      pen.fillStyle = '#4a5a4c';
      pen.fillRect(k * wide, canvas.height / 2, wide + 1, canvas.height / 2);
    }
  });
  const at = (name) => {
    const step = day.times.findIndex((t) => t >= day.events[name]);
    return step < 0 ? n : step; // after the last step
  };
  const marks = [['sunrise', 'sun up'], ['sunset', 'sun down']].filter(([name]) => day.events[name])
    .sort(([a], [b]) => at(a) - at(b))
    .map(([name, word]) => ({ text: `${word} ${day.events[name]}`, at: within(20, (100 * at(name)) / n, 80) }));
  if (marks.length === 2 && marks[1].at - marks[0].at < 40) {
    // A short night or a short day: side by side, not over one another.
    const middle = within(40, (marks[0].at + marks[1].at) / 2, 60);
    [marks[0].at, marks[1].at] = [middle - 20, middle + 20];
  }
  const highest = Math.max(...day.altitude.map(([sun]) => sun));
  if (!marks.length) marks.push({ text: highest > 0 ? 'sun up all day' : 'no sun all day', at: 50 });
  $('strip-words').replaceChildren(...marks.map((mark) => {
    const span = el('span', { text: mark.text });
    span.style.left = `${mark.at}%`;
    return span;
  }));
}

const within = (low, value, high) => Math.min(high, Math.max(low, value));

function choices(kind, name, rows, chosen, onchange) {
  return rows.map(([id, text]) => {
    const input = el('input', { type: kind, name, value: id, id: `${name}-${id}` });
    input.checked = chosen(id);
    input.addEventListener('change', () => onchange(id, input.checked));
    return el('label', { class: 'choice', for: `${name}-${id}` }, input, el('span', { text }));
  });
}

// Held upright; laid on its side it has the column of a desk. A keyboard that comes up makes no such shape.
const isPhone = () => matchMedia('(max-width: 760px) and (max-aspect-ratio: 149/100)').matches;

// Room to leave around a place that is brought into the view.
const aroundPlace = () => ({ paddingTopLeft: [50, isPhone() ? 110 : 50], paddingBottomRight: [60, 60], animate: false });

function drawer(map) {
  const states = ['closed', 'half', 'full'];
  const sheet = $('sheet');
  const grip = $('grip');
  const to = (state) => {
    sheet.dataset.state = state;
    grip.setAttribute('aria-expanded', String(state !== 'closed'));
  };
  let from = null;
  let dragged = false;
  grip.addEventListener('click', ({ detail: touched }) => {
    if (!dragged || !touched) to(states[(states.indexOf(sheet.dataset.state) + 1) % 3]);
    dragged = false;
  });
  grip.addEventListener('pointerdown', (event) => {
    grip.setPointerCapture(event.pointerId); // another finger on the map is none of its business
    from = event.clientY;
    dragged = false;
  });
  grip.addEventListener('pointercancel', () => { from = null; });
  grip.addEventListener('pointerup', (event) => {
    if (from === null) return;
    const up = from - event.clientY;
    from = null;
    const k = states.indexOf(sheet.dataset.state);
    dragged = Math.abs(up) > 30;
    if (dragged) to(states[Math.min(2, Math.max(0, k + Math.sign(up)))]);
  });
  // On a phone the map ends where the drawer begins, as long as that leaves a map.
  new ResizeObserver(() => {
    document.documentElement.style.setProperty('--sheet', `${Math.min(sheet.offsetHeight, innerHeight * 0.68)}px`);
    map.invalidateSize({ animate: false });
  }).observe(sheet);
  // The drawer open, at the top of what the chosen part says.
  function show() {
    if (sheet.dataset.state === 'closed') to('half');
    $('sheet-body').scrollTop = 0;
    if (sheet.scrollHeight > sheet.clientHeight) sheet.scrollTop = $('sheet-body').offsetTop - $('tabs').offsetHeight;
  }
  // Room for the map, for what is to be done on it.
  function halve() {
    if (sheet.dataset.state === 'full') to('half');
  }
  return { show, halve };
}

// One part of the panel at a time; arrow keys go from tab to tab.
function tabs(sheet) {
  const all = [...$('tabs').children];
  const show = (tab) => {
    for (const one of all) {
      const on = one === tab;
      one.setAttribute('aria-selected', String(on));
      one.tabIndex = on ? 0 : -1;
      $(one.getAttribute('aria-controls')).hidden = !on;
    }
    sheet.show();
  };
  $('tabs').addEventListener('click', (event) => { if (all.includes(event.target)) show(event.target); });
  $('tabs').addEventListener('keydown', (event) => {
    const move = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!move) return;
    const next = all[(all.indexOf(document.activeElement) + move + all.length) % all.length];
    show(next);
    next.focus();
  });
}

function wireDark() {
  const wanted = keep.get('reachmap:dark');
  const set = (on) => {
    document.documentElement.toggleAttribute('data-dark', on);
    $('dark').setAttribute('aria-pressed', String(on));
  };
  set(wanted ?? matchMedia('(prefers-color-scheme: dark)').matches);
  $('dark').addEventListener('click', () => {
    const on = !document.documentElement.hasAttribute('data-dark');
    keep.set('reachmap:dark', on);
    set(on);
  });
}
