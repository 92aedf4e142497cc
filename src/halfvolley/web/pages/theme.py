"""The switch between light and dark."""

from halfvolley.web.parts import tag


def theme_button() -> None:
    """The window itself keeps the choice."""
    element = tag("button", "Theme", "button quiet small", type="button",
                  aria_label="Light or dark theme")  # fmt: skip
    element.on("click", js_handler="() => halfvolley.turnTheme()")
