"""The hours of the best lies as a table for the terminal."""

from __future__ import annotations

from reachmap.write.model import Result
from reachmap.write.summary import ranked


def hours_text(result: Result, every_min: int = 60, count: int = 6) -> str:
    """Scores of the best lies over the day, the day's moments, and the order to fish them.

    Parameters
    ----------
    every_min : minutes between rows; rounded to the day's steps
    count : how many lies
    """
    scene = next(iter(result.lies.scenes))
    numbers, hours = ranked(result.lies, scene)[:count], result.visit.hours
    if hours.empty or not numbers:
        return "No lie stands out, so there are no hours to show."
    step_min = (result.day.times[1] - result.day.times[0]).total_seconds() / 60
    rows = hours.iloc[:: max(1, round(every_min / step_min))]
    light = result.lights[scene].scene
    lines = [
        f"{light.when:%d %b %Y}, cloud {light.cloud}/8 all day",
        "",
        "time   " + "".join(f"{n:>7}" for n in numbers),
    ]
    lines += [f"{when:%H:%M}  " + "".join(f"{row[n]:7.2f}" for n in numbers) for when, row in rows.iterrows()]
    events = sorted(result.day.events.items(), key=lambda event: event[1])
    lines += ["", ", ".join(f"{name.replace('_', ' ')} {when:%H:%M}" for name, when in events)]
    lines += ["For about an hour after dusk the eye switches over and fishing is often dull (common practice).", ""]
    lines += [f"{row.when}  {row.why}" for row in result.visit.order.itertuples()]
    lines += ["", *(f"- {caution.text}" for caution in result.visit.cautions if caution.grave)]
    return "\n".join(lines)
