"""The score as far as it can be followed, and where it is doubtful."""

from functools import partial

from halfvolley.match.score import ScoredRally
from halfvolley.report.document import Block, Drawing, Grid, Section, Words
from halfvolley.report.figures.score import score_figure
from halfvolley.report.material import Material
from halfvolley.report.words import DASH


def score_section(m: Material) -> Section:
    """The score before each rally of a match; what is not sure is said."""
    say, score = m.say, m.records.score
    games = _games(score)
    names = tuple(m.name(n) for n in (m.records.rallies[0].names if m.records.rallies else "AB"))
    doubtful = sum(not s.sure for s in score)
    title = say("{sure} of {total} scores are sure to nine tenths", sure=len(score) - doubtful,
                total=len(score))  # fmt: skip
    note = say("Circles: {a}, diamonds: {b}; open marks: a score less than 90 % sure.", a=names[0],
               b=names[1])  # fmt: skip
    blocks: tuple[Block, ...] = (
        Drawing("score", _last(m, games, names), note, partial(score_figure, games, say)),
        _table(m, score, names),
        *(Words(text, lang="en") for text in m.records.notes),
    )
    return Section("score", say("Score"), title, blocks)


def _games(score: tuple[ScoredRally, ...]) -> list[list[ScoredRally]]:
    games: dict[int, list[ScoredRally]] = {}
    for s in score:
        games.setdefault(s.before.games_a + s.before.games_b, []).append(s)
    return list(games.values())


def _last(m: Material, games: list[list[ScoredRally]], names: tuple[str, ...]) -> str:
    last = games[-1][-1].before
    return m.say(
        "Before the last rally: {a} {ga} games {pa} points, {b} {gb} games {pb} points",
        a=names[0], ga=last.games_a, pa=last.points_a, b=names[1], gb=last.games_b,
        pb=last.points_b,
    )  # fmt: skip


def _table(m: Material, score: tuple[ScoredRally, ...], names: tuple[str, ...]) -> Grid:
    say = m.say
    rows = []
    for number, s in enumerate(score, start=1):
        b = s.before
        winner = DASH if s.winner is None else names["AB".index(s.winner)]
        doubts = "; ".join(say.said(d) for d in s.doubts)
        rows.append((
            str(number), f"{b.games_a}:{b.games_b}", f"{b.points_a}:{b.points_b}",
            f"{100 * s.probability:.0f} %", winner + (" *" if s.by_order else ""), doubts,
        ))  # fmt: skip
    return Grid(
        say("Score before each rally"),
        (say("rally"), say("games"), say("points"), say("sure"), say("won by"), say("doubts")),
        ("",) * 6, tuple(rows),
        say("*: follows from who served later, not from the rally itself."), frozenset({4, 5}),
    )  # fmt: skip
