// The cautions that must never be folded away, of the day, hour and water that are set.

// How a caution about warm water is to be said of what is set: of the temperature set. Another scene of that day may have
// the water warmer, and where the temperature is not known any scene may.
function warmText(D, setting, { brief, from_c: least }) {
  const degrees = D.temperatures[setting.warmth];
  const known = degrees !== null;
  if (known && degrees >= least) return `Water of ${tenths(degrees)} C: let the fish be.`;
  const scenes = D.scenes.filter((scene) => !known || scene.day === setting.day);
  const most = Math.max(...scenes.map((scene) => D.temperatures[scene.warmth]));
  if (most >= least) return `Warmest ${known ? 'that day' : 'scene'}, ${tenths(most)} C: let the fish be.`;
  return known ? '' : brief;
}

// The grave cautions of what is set, in few words, so that they need never be folded away.
function cautionText(D, setting) {
  const now = D.cautions.filter((one) => (isDark(D, setting) || !one.after_dark) && (D.days[setting.day].spawning || !one.in_season));
  const said = now.map((one) => (one.from_c === null ? one.brief : warmText(D, setting, one)));
  return said.filter(Boolean).map(units.said).join(' ');
}
