"""Targets on the Report screen: zones of the table that were to be hit, chosen field by field."""

from typing import TYPE_CHECKING, Any

from halfvolley.constants import TABLE_LENGTH_M, TABLE_WIDTH_M
from halfvolley.errors import BadInput
from halfvolley.session.edit import set_targets
from halfvolley.session.schema import TargetZone, read_session
from halfvolley.web.pages.frame import guarded, redraw
from halfvolley.web.parts import announce, button, draft, tag
from halfvolley.web.state import SessionState

if TYPE_CHECKING:
    from halfvolley.web.app import Bench

COLUMNS, ROWS = 6, 3  # fields along the table, from end A to end B, and across it
FIELD_M = (TABLE_LENGTH_M.value / COLUMNS, TABLE_WIDTH_M.value / ROWS)
Field = tuple[int, int]  # column from end A, row from above as seen with A on the left


class Targets:
    """The list of targets, and a table on which a new one is put together."""

    def __init__(self, bench: "Bench", state: SessionState, may_write: Any) -> None:
        self._state, self._may_write = state, may_write
        self._changes = bench.changes(state.folder, "report")
        self._new = draft(f"{state.folder}/target")
        self._fields: set[Field] = self._new.setdefault("fields", set())

    def draw(self) -> None:
        """The panel."""
        assert self._state.session is not None
        with tag("section", "", "panel"):
            tag("h2", "Targets")
            if self._state.session.targets:
                with tag("ul", "", "targets"):
                    for i, target in enumerate(self._state.session.targets):
                        with tag("li"):
                            tag("span", target.name, "grow")
                            act = guarded(self._may_write, lambda i=i: self._remove(i))
                            button("Take away", act, "quiet small",
                                   aria_label=f"Take away the target {target.name}")  # fmt: skip
            with tag("details", "", "more", open=bool(self._fields)):
                tag("summary", "Add a zone that was to be hit")
                with tag("div", "", "stack"):
                    self._draw_new()

    def _draw_new(self) -> None:
        tag("p", "Choose fields of one half; the zone is the rectangle around them.",
            "soft small-text")  # fmt: skip
        with tag("div", "", "fields-of-table", role="group",
                 aria_label="The table from above, end A on the left"):  # fmt: skip
            for row in range(ROWS):
                for column in range(COLUMNS):
                    self._draw_field((column, row))
        with tag("div", "", "field wide"):
            tag("label", "What it is called", for_="target-name")
            box = tag("input", type="text", id="target-name", maxlength=40, autocomplete="off",
                      value=self._new.get("name", ""))  # fmt: skip
            box.on("input", lambda event: self._new.update(name=str(event.args)),
                   js_handler="(e) => emit(e.target.value)")  # fmt: skip
        button("Keep the target", guarded(self._may_write, self._keep), "main")

    def _draw_field(self, field: Field) -> None:
        end = "A" if field[0] < COLUMNS // 2 else "B"
        depth = min(field[0], COLUMNS - 1 - field[0])
        words = f"Half {end}, {('long', 'half-long', 'short')[depth]}, row {field[1] + 1}"
        box = tag("button", "", f"table-field end-{end.lower()}", type="button", aria_label=words,
                  aria_pressed=str(field in self._fields).lower())  # fmt: skip

        def turn() -> None:
            self._fields ^= {field}
            box.props["aria-pressed"] = str(field in self._fields).lower()
            box.update()

        box.on("click", turn)

    def _keep(self) -> None:
        name = self._new.get("name", "").strip() or "target"
        targets = [*self._now(), TargetZone(name, zone_corners(self._fields))]
        self._new.clear()
        self._write(targets)

    def _remove(self, index: int) -> None:
        targets = self._now()
        del targets[index : index + 1]
        self._write(targets)

    def _now(self) -> list[TargetZone]:
        return list(read_session(self._state.folder).targets)

    def _write(self, targets: list[TargetZone]) -> None:
        before = self._now()
        set_targets(read_session(self._state.folder), targets)
        self._changes.did("the targets", lambda session: set_targets(session, before))
        announce("Kept. It counts in the next report.")
        redraw()


def zone_corners(fields: set[Field]) -> tuple[tuple[float, float], ...]:
    """Corners [m] of the rectangle around some fields of the table.

    Raises
    ------
    BadInput
        If none is chosen, or they lie on both halves.
    """
    if not fields:
        raise BadInput("choose at least one field of the table first")
    columns, rows = ([f[k] for f in fields] for k in (0, 1))
    if min(columns) < COLUMNS // 2 <= max(columns):
        raise BadInput("a target lies on one half of the table; choose fields of one half")
    x0, x1 = (FIELD_M[0] * (c - COLUMNS / 2) for c in (min(columns), max(columns) + 1))
    y1, y0 = (FIELD_M[1] * (ROWS / 2 - r) for r in (min(rows), max(rows) + 1))
    corners = ((x0, y0), (x0, y1), (x1, y1), (x1, y0))
    return tuple((round(x, 3), round(y, 3)) for x, y in corners)
