"""What a screen says, and how a person uses it, for tests."""

import re
from typing import Any


def marked_up(app: Any) -> str:
    """Everything the screen says in words, as Markdown."""
    kinds = ("title", "header", "subheader", "markdown", "info", "warning", "error", "caption")
    return "\n".join(element.value for kind in kinds for element in getattr(app, kind))


def text(app: Any) -> str:
    """The same as a person reads it: a backslash takes the next character as it is."""
    return re.sub(r"\\(.)", r"\1", marked_up(app))


def tables(app: Any) -> str:
    said = "\n".join(table.value.to_csv(index=False) for table in app.table)
    return re.sub(r"\\(.)", r"\1", said)


def figures(app: Any) -> list[Any]:
    return list(app.get("plotly_chart"))


def field(app: Any, label: str) -> Any:
    """The one input whose label begins so."""
    kinds = (app.text_input, app.selectbox, app.multiselect, app.radio, app.number_input)
    (found,) = [one for kind in kinds for one in kind if one.label.startswith(label)]
    return found


def press(app: Any, label: str) -> Any:
    """Press the one button of this name."""
    (found,) = [button for button in app.button if button.label == label]
    return found.click().run()
