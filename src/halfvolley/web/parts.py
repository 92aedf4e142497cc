"""Small parts of pages. Text of people and files becomes text nodes, never markup."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import quote

from nicegui import Client, app, context, ui
from nicegui.element import Element
from nicegui.elements.mixins.text_element import TextElement


def tag(name: str, text: str = "", look: str = "", **attributes: Any) -> TextElement:
    """An HTML element with text.

    Parameters
    ----------
    name : str
        Of the element.
    text : str
        Shown as it is.
    look : str
        Classes of look.css.
    **attributes
        `aria_label` becomes aria-label, and a trailing underscore is dropped; True stands alone.
    """
    element = TextElement(tag=name, text=text)
    if look:
        element.classes(look)
    for key, value in attributes.items():
        if value is not None and value is not False:
            # a bare attribute is written as an empty text, which HTML reads as true
            element.props[key.rstrip("_").replace("_", "-")] = "" if value is True else value
    return element


def button(text: str, on_click: Callable[[], Any], look: str = "", **attributes: Any) -> Element:
    """A button."""
    element = tag("button", text, f"button {look}".strip(), type="button", **attributes)
    return element.on("click", lambda: on_click())


def link(text: str, address: str, look: str = "", **attributes: Any) -> Element:
    """A link to another screen."""
    return tag("a", text, look, href=address, **attributes)


def note(text: str, kind: str = "info") -> Element:
    """A sentence that stands out: info, good, doubt or trouble."""
    return tag("p", text, f"note {kind}", role="alert" if kind == "trouble" else None)


def sentence(words: str) -> str:
    """Words of a stage as a sentence."""
    return f"{words[:1].upper()}{words[1:]}" + ("" if words.endswith((".", "!", "?")) else ".")


def choice(
    words: str, name: str, options: dict[str, str], chosen: str, act: Callable[[str], Any]
) -> Element:
    """A list of which one is chosen; `act` is given its value, a key of `options`."""
    with tag("div", "", "field wide") as field:
        tag("label", words, for_=name)
        box = tag("select", id=name)
        with box:
            for value, text in options.items():
                tag("option", text, value=value, selected=value == chosen)
        box.on("change", lambda event: act(str(event.args)),
               js_handler="(e) => emit(e.target.value)")  # fmt: skip
    return field


def announce(text: str, kind: str = "info") -> None:
    """Tell the window what happened, for a moment and to screen readers."""
    ui.run_javascript(f"halfvolley.announce({_js(text)}, {_js(kind)})")


def draft(name: str) -> dict[str, Any]:
    """What was typed or drawn in this window and not kept yet; it outlives a screen."""
    kept: dict[str, Any] = app.storage.client.setdefault(name, {})
    return kept


def window() -> str:
    """The name of this window among all that are open."""
    return current_client().id


def current_client() -> Client:
    """The window that is being built or has spoken."""
    return context.client


def quoted(name: str) -> str:
    """A name as one part of an address."""
    return quote(name, safe="")


def shown_path(path: Path) -> str:
    """A path as people write it, from their own folder on."""
    home = Path.home()
    if not path.is_relative_to(home):
        return str(path)
    return "/".join(("~", *path.relative_to(home).parts))


def _js(text: str) -> str:
    return json.dumps(text).replace("<", "\\u003c")
