"""The buttons that hand out papers: where they are, and that what each makes can be read."""

import io
from typing import Any

import pypdf
import pytest
import streamlit as st

from tests.dashboard.shop import LATE, STRUCK


@pytest.fixture
def buttons(monkeypatch: pytest.MonkeyPatch, screen: Any, shop_db: str) -> Any:
    """Opens a screen and gives its papers: the words of each by its button and file."""

    def opened(name: str, **query: str) -> dict[tuple[str, str], str]:
        found: dict[tuple[str, str], Any] = {}

        def noted(label: str, data: Any, file: str, *_: Any, **__: Any) -> None:
            found[label, file] = data

        with monkeypatch.context() as here:
            here.setattr(st, "download_button", noted)
            assert not screen(shop_db, name, **query).exception
        return {
            button: " ".join(page.extract_text() for page in pypdf.PdfReader(pdf).pages)
            for button, make in found.items()
            if (pdf := io.BytesIO(make()))
        }

    return opened


def test_a_part_has_its_record_and_its_label_and_a_struck_one_a_label_that_says_so(
    buttons: Any,
) -> None:
    found = buttons("part", serial=LATE)
    assert f"Record of part {LATE}" in found["Its record as PDF", f"record-of-part_{LATE}.pdf"]
    assert LATE in found["Its label", f"label_{LATE}.pdf"]
    ((name, label),) = buttons("part", serial=STRUCK).items()
    assert name == ("Label: struck, not for use", f"struck_{STRUCK}.pdf")
    assert "STRUCK · NOT FOR USE" in label


@pytest.mark.parametrize(
    ("name", "query", "label", "title"),
    [
        ("decide", {"on": "B26"}, "Release sheet as PDF", "Release sheet of batch"),
        ("margins", {}, "Impact report as PDF", "Impact tests by hits on K40"),
        ("gauges", {}, "List as PDF", "Gauges on "),
        ("claims", {}, "Make it", "Claims audit, "),
    ],
)
def test_a_screen_hands_out_its_paper(
    buttons: Any, name: str, query: dict[str, str], label: str, title: str
) -> None:
    found = {button: words for (button, _), words in buttons(name, **query).items()}
    assert title in found[label]
