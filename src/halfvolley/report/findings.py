"""What the numbers say in one sentence; nothing is said that they cannot carry."""

from collections.abc import Sequence

from halfvolley.match.intervals import Interval, wilson
from halfvolley.match.records import StrokeRecord
from halfvolley.match.statistics import PlayerSummary, StrokeSummary
from halfvolley.match.zones import corner_shares
from halfvolley.report.material import Material, count, percents
from halfvolley.report.vocabulary import PUTS, SERVES

CHOSEN_LEVEL = 1 - 0.05 / 9  # the strongest of nine fields is looked for: Bonferroni
THIRD = 1 / 3
FEWEST = 6  # balls; fewer make no pattern


def placement_finding(m: Material, player: PlayerSummary) -> str:
    """Where a player puts the ball, as far as the numbers show a preference."""
    name = m.name(player.name)
    places = [s.placement for s in m.strokes_of(player.name)]
    total = player.strokes.depth.total
    if total == 0:
        return m.say("{name}: no bounce was seen", name=name)
    if total < FEWEST:
        return count(total, "{name}: {n} bounce, too few for a pattern",
                     "{name}: {n} bounces, too few for a pattern", m.say, name=name)  # fmt: skip
    for shares in (corner_shares(places), player.strokes.depth, player.strokes.width):
        best = max(shares.shares, key=lambda s: s.count)
        if _beyond(best.count, total, THIRD):
            return m.say(PUTS[best.label], name=name, hits=best.count, total=total,
                         interval=percents(best.interval, m.say))  # fmt: skip
    return m.say("{name}'s {n} balls show no preferred third of the table", name=name, n=total)


def serve_finding(m: Material, summary: StrokeSummary) -> str:
    """How deep serves land."""
    depth = summary.depth
    if depth.total == 0:
        return count(summary.n, "{n} serve, its second bounce not seen",
                     "{n} serves, their second bounces not seen", m.say)  # fmt: skip
    best = max(depth.shares, key=lambda s: s.count)
    return m.say(SERVES[best.label], hits=best.count, total=depth.total,
                 interval=percents(best.interval, m.say))  # fmt: skip


def error_finding(m: Material, strokes: Sequence[StrokeRecord]) -> str:
    """How many strokes missed the table."""
    known = [s for s in strokes if s.fate != "unknown"]
    missed = sum(s.fate != "in" for s in known)
    interval = percents(wilson(missed, len(known)), m.say)
    return m.say("{hits} of {total} strokes missed the table; {interval}", hits=missed,
                 total=len(known), interval=interval)  # fmt: skip


def points_finding(m: Material, player: PlayerSummary) -> str:
    """How many points were won."""
    if player.decided == 0:
        return m.say("No point whose winner is known")
    return m.say("Won {hits} of {total} points; {interval}", hits=player.won, total=player.decided,
                 interval=percents(player.share_won, m.say))  # fmt: skip


def _beyond(hits: int, total: int, chance: float) -> bool:
    share = wilson(hits, total, CHOSEN_LEVEL)
    return isinstance(share, Interval) and share.low > chance


def speed_finding(m: Material, strokes: Sequence[StrokeRecord]) -> str:
    """The fastest stroke with its error."""
    speeds = [s.speed_mps for s in strokes if s.speed_mps is not None]
    if not speeds:
        return m.say("No speed was measured")
    top = max(speeds, key=lambda v: v.value)
    return m.say("Fastest stroke {speed} ± {error} m/s ({kmh} km/h)",
                 speed=m.say.number(top.value, 1), error=m.say.number(1.96 * top.sd, 1),
                 kmh=m.say.number(3.6 * top.value))  # fmt: skip
