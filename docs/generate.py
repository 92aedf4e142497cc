"""Writes the generated parts of the docs from the code: keys, columns, commands.

    python docs/generate.py          write them
    python docs/generate.py --check  only say whether they are up to date

A generated part stands between <!-- begin NAME --> and <!-- end NAME -->.
"""

import re
import sys
from enum import Enum
from pathlib import Path

import typer.main

import halfvolley as hv
from halfvolley.cli import app
from halfvolley.session.columns import COLUMNS, CSV_TOO, Column
from halfvolley.session.many_rows import STROKES as LIBRARY_STROKES
from halfvolley.session.schema import KEYS, Key

DOCS = Path(__file__).parent
KEY_TABLES = {
    "": "Top of the file",
    "ball": "`[ball]`",
    "air": "`[air]`",
    "players": "`[players]`",
    "clips": "`[[clips]]`, once for each recording",
    "match": "`[match]`, where a match was played",
    "points": "`[[points]]`, a person's word on a rally; the last one counts",
    "touches": "`[[touches]]`, a person's word on one touch; the last one counts",
    "report": "`[report]`, what it shall be like",
    "targets": "`[[targets]]`, zones that were to be hit",
}


def keys() -> str:
    """All keys of session.toml."""
    parts = []
    for table, title in KEY_TABLES.items():
        rows = [_key_row(key) for key in KEYS if key.table == table]
        parts.append(
            f"### {title}\n\n| key | unit | default | meaning |\n| --- | --- | --- | --- |\n"
            + "\n".join(rows)
        )
    return "\n\n".join(parts)


def _key_row(key: Key) -> str:
    default = {None: "–", ...: "required", "": "–", (): "none"}.get(key.default, key.default)
    meaning = key.meaning
    if key.choices:
        meaning += f" ({', '.join(key.choices)})"
    elif abs(key.low) != float("inf") and abs(key.high) != float("inf"):
        meaning += f" ({key.low:g} to {key.high:g})"
    return f"| `{key.name}` | {key.unit} | {default} | {meaning} |"


def columns() -> str:
    """All columns of all tables."""
    parts = []
    for name, table in COLUMNS.items():
        files = f"`{name}.parquet`" + (f" and `{name}.csv`" if name in CSV_TOO else "")
        parts.append(f"### {name}\n\n{files}\n\n{_column_table(table)}")
    return "\n\n".join(parts)


def library_columns() -> str:
    """The columns of a library's strokes."""
    return _column_table(LIBRARY_STROKES)


def _column_table(columns) -> str:  # type: ignore[no-untyped-def]
    head = "| column | type | unit | meaning | null when |\n| --- | --- | --- | --- | --- |\n"
    return head + "\n".join(_column_row(c) for c in columns)


def _column_row(column: Column) -> str:
    return (
        f"| `{column.name}` | {column.kind} | {column.unit} | {column.meaning} | "
        f"{column.null or 'never'} |"
    )


def all_commands(group=None, before: str = "") -> dict:  # type: ignore[no-untyped-def, type-arg]
    """Every command by its name, those of a group behind the group's."""
    out = {}
    for name, command in (group or typer.main.get_command(app)).commands.items():
        if hasattr(command, "commands"):
            out.update(all_commands(command, f"{before}{name} "))
        else:
            out[f"{before}{name}"] = command
    return out


def commands() -> str:
    """All commands with their arguments and options."""
    parts = []
    for name, command in all_commands().items():
        text = " ".join((command.help or "").split())
        rows = [_parameter_row(p) for p in command.params if p.name != "help"]
        parts.append(
            f"## halfvolley {name}\n\n{text}\n\n| argument or option | default | meaning |\n"
            "| --- | --- | --- |\n" + "\n".join(rows)
        )
    return "\n\n".join(parts)


def _parameter_row(parameter) -> str:  # type: ignore[no-untyped-def]
    if parameter.param_type_name == "argument":
        name = (parameter.metavar or parameter.name.upper()).strip("[]")
    else:
        name = ", ".join([*parameter.opts, *parameter.secondary_opts])
    default = parameter.default
    shown = "required" if parameter.required else "–" if default in (None, "") else default
    words = " ".join([*(parameter.help or "").split(), *_may_be(parameter)])
    return f"| `{name}` | {shown} | {words} |"


def _may_be(parameter) -> list[str]:  # type: ignore[no-untyped-def]
    """What values there are, and whether more than one may be given."""
    kind = getattr(getattr(parameter, "type_descriptor", None), "annotation", None)
    least, most = getattr(parameter, "min", None), getattr(parameter, "max", None)
    said = (parameter.help or "").lower()
    out = []
    if isinstance(kind, type) and issubclass(kind, Enum):
        out.append("One of " + ", ".join(f"`{c.value}`" for c in kind) + ".")
    elif least is not None:
        out.append(f"From {least:g} on." if most is None else f"From {least:g} to {most:g}.")
    elif parameter.param_type_name == "option" and parameter.metavar:
        out.append(f"Given as `{parameter.metavar}`.")
    if getattr(parameter, "multiple", False) and "several" not in said and "repeat" not in said:
        out.append("May be given several times.")
    return out


def names() -> str:
    """All public names."""
    rows = []
    for name in hv.__all__:
        if name.startswith("__"):
            continue
        thing = getattr(hv, name)
        first = (thing.__doc__ or "").strip().splitlines()[0]
        rows.append(f"| `{name}` | `{hv._PLACES[name]}` | {first} |")
    return "| name | from | what it is |\n| --- | --- | --- |\n" + "\n".join(rows)


PARTS = {
    "session.md": {"keys": keys, "columns": columns},
    "commands.md": {"commands": commands},
    "library.md": {"names": names},
    "many-sessions.md": {"library columns": library_columns},
}


def filled(path: Path) -> str:
    """A page with its generated parts as the code is now."""
    text = path.read_text(encoding="utf-8")
    for name, make in PARTS[path.name].items():
        pattern = rf"(<!-- begin {name} -->\n).*?(<!-- end {name} -->)"
        body = make()
        text, n = re.subn(
            pattern, lambda m, body=body: f"{m[1]}\n{body}\n\n{m[2]}", text, flags=re.DOTALL
        )
        if n != 1:
            raise SystemExit(f"{path} lacks the marks of {name}")
    return text


def main() -> None:
    """Write, or check."""
    stale = []
    for name in PARTS:
        path = DOCS / name
        text = filled(path)
        if text != path.read_text(encoding="utf-8"):
            stale.append(name)
            if "--check" not in sys.argv:
                path.write_text(text, encoding="utf-8")
    if stale and "--check" in sys.argv:
        raise SystemExit(f"out of date: {', '.join(stale)}; run: python docs/generate.py")


if __name__ == "__main__":
    main()
