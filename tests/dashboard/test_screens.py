"""Every screen opens on any shop, and each does what a person came for."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from qc.resources import folder
from tests.dashboard.shop import CORRECTED, LATE, STRUCK, VOID
from tests.dashboard.using import figures, marked_up, tables, text

SCREENS = sorted(path.stem for path in (folder("dashboard") / "screens").glob("*.py"))


@pytest.mark.parametrize("screen_name", SCREENS)
@pytest.mark.parametrize("shop", ["empty_db", "one_record_db", "shop_db"])
def test_every_screen_opens_on_any_shop(
    screen: Any, request: pytest.FixtureRequest, shop: str, screen_name: str
) -> None:
    app = screen(request.getfixturevalue(shop), screen_name)
    assert not app.exception
    assert not app.error
    assert len(app.title) == 1


@pytest.mark.parametrize("screen_name", [n for n in SCREENS if n not in ("part", "people")])
def test_an_empty_shop_is_told_what_to_do_first(
    screen: Any, empty_db: str, screen_name: str
) -> None:
    app = screen(empty_db, screen_name)
    (told,) = app.info
    assert (
        "rimqc import" in told.value or "import the logs" in told.value or "[[batch]]" in told.value
    )


def test_a_database_that_cannot_be_read_is_said_in_words(screen: Any, tmp_path: Path) -> None:
    app = screen(f"sqlite:///{tmp_path}/missing/a.sqlite", "claims")
    assert not app.exception
    (told,) = app.error
    assert "missing" in told.value


def test_today_counts_flags_and_lists_the_worst_first(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "today")
    assert [(metric.label, metric.value) for metric in app.metric] == [
        ("◆ critical", "0"),
        ("▲ major", "4"),
        ("● minor", "0"),
    ]
    said = text(app)
    assert "Newest record: 2026-05-01 09:06" in said
    assert said.index("K_26-1") < said.index("K_05-3") < said.index("gauge S2")
    assert "**Next:** Hold the batch, test more parts of it" in said


def test_today_can_show_one_kind_of_flag(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "today", flag="gauge-suspect")
    assert app.selectbox(key="flag").value == "gauge-suspect"
    said = text(app)
    assert "gauge S2" in said
    assert "K_26-1" not in said


def test_a_flag_links_to_its_part_and_to_the_claim_behind_it(screen: Any, shop_db: str) -> None:
    links = {link.proto.label: link.proto for link in screen(shop_db, "today").get("page_link")}
    part = links[":blue[Open part K\\_26-1 →]"]
    assert (part.page, part.query_string) == ("part", f"serial={LATE}")
    assert links[":blue[Claim of K40 →]"].query_string == "model=K40&stage=rim"
    # a gauge in doubt leads to the parts it was used on
    assert ":blue[K\\_10-1 →]" in links


def test_claims_show_a_part_over_its_claim_in_title_and_table(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "claims", model="K40", stage="rim")
    assert "Bare mass of K40 rims: 1 of 74 parts lies above the claim's band" in text(app)
    assert "430\u00a0(+12/−12),none yet,+2.6,74,25,432.7" in tables(app)
    assert "No claim is supported yet" in text(app)
    assert "the level moved with batch B20" in text(app)
    assert len(figures(app)) == 1


def test_margins_show_the_test_that_fell_short_and_the_caution(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "margins", protocol="hits", model="K40")
    said = text(app)
    order = [
        "At the required 3 ×: 0 of 1 survived. No share that survives is shown.",
        "At the standard 1 ×: 1 of 1 survived. At least 5 % survive with 95 % confidence.",
        "hits on K40 rims: the one test did not reach the required 3 × the standard",
        "Survival of K40 rims: too little is known to say what 90 % survive",
        "What 90 % survive cannot be said with 90 % confidence",
        "There are no two batches to compare.",
    ]
    places = [said.index(sentence) for sentence in order]
    assert places == sorted(places)
    assert "Damaged by 3 ×, survived 2 ×: 1 × short of the required 3 ×." in tables(app)
    assert "certifies nothing" in said
    assert f"[K_05-3](/part?serial={STRUCK}),T1,B05,2,3,5" in tables(app)


def test_drift_draws_what_moved_and_lists_the_quiet(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "drift", characteristic="bare-mass")
    said = text(app)
    assert "1 of 1 measured levels moved" in said
    assert "Bare mass of K40 rims moved from batch B20 on: by +7.95 g" in said
    assert "The 7 batches since then (B20 to B26) lie +" in said
    assert len(figures(app)) == 1


def test_a_struck_part_never_leaves_and_says_why(screen: Any, shop_db: str) -> None:
    said = text(screen(shop_db, "part", serial=STRUCK))
    assert "Status: struck in an impact test. ✕ May not leave." in said
    assert "it can never be released" in said


def test_a_part_lacking_a_planned_reading_says_which(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "part", serial="K_02-1")
    said = text(app)
    assert "missing: runout-lateral" in said
    assert "Run-out, the newest of each kind" not in said
    assert "K_02-1: the same day from its first to its newest record, no flag ever" in said


def test_a_part_shows_its_turn_and_what_it_is_likely_to_be(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "part", serial="K_01-1")
    said = text(app)
    assert "likely the set-up, how the rim sits on the stand" in said
    assert "Try: turn the rim half round on its seat and measure again." in said
    assert "once a turn,0.2" in tables(app)


def test_a_struck_part_shows_where_the_striker_fell(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "part", serial=STRUCK)
    assert "Test T1: first damage, a crack, at drop 5, at 180°, 3 × the standard" in text(app)
    assert "5,180°,180°,40.01 J,3,a crack," in tables(app)


def test_margins_count_where_the_damage_began(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "margins", protocol="hits", model="K40")
    assert "180°,3,1,1,a crack 1" in tables(app)


def test_drift_shows_what_changed_below_its_chart(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "drift", characteristic="bare-mass")
    assert "resin lot,R2,B20,B26,7" in tables(app)


def test_looks_and_first_pass_answer_for_the_model_in_the_address(
    screen: Any, shop_db: str
) -> None:
    app = screen(shop_db, "findings", model="K40", batch="B26")
    said = text(app)
    assert app.selectbox(key="batch").value == "B26"
    assert "K40 B26: no part looked at yet" in said
    # one over its claim, one broken early in its test
    assert "K40: 97.4 % of 78 parts passed first time; the fewest, 2 of 3, in batch B05" in said
    assert "batch held (not counted)" in tables(app)


def test_corrected_and_void_records_stay_readable_struck_through(screen: Any, shop_db: str) -> None:
    corrected = tables(screen(shop_db, "part", serial=CORRECTED))
    assert "~~ Corrected: Weighed 433.3 g bare, on S1." in corrected
    assert "typing slip" in corrected
    void = tables(screen(shop_db, "part", serial=VOID))
    assert "~~ Void, see the correction." in void


def test_what_a_person_typed_is_shown_as_typed(screen: Any, shop_db: str) -> None:
    said = marked_up(screen(shop_db, "part", serial=LATE))
    assert "its batch is held\\: all \\*heavy\\*, see \\<b\\>scale\\</b\\>" in said


def test_a_part_that_was_never_received_says_so(screen: Any, one_record_db: str) -> None:
    said = text(screen(one_record_db, "part", serial="A-1"))
    assert "Status: not received. ✕ May not leave." in said
    assert "Looked at (visual): clean" in tables(screen(one_record_db, "part", serial="A-1"))


def test_an_unknown_serial_offers_the_nearest_known_ones(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "part", serial="k_26-11")
    assert "No record of serial k_26-11" in text(app)
    assert app.button[0].label == LATE
    assert "Status: held" in text(app.button[0].click().run())


def test_a_factor_leads_to_its_parts_and_where_they_are(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "touched", factor="resin_lot", level="R2")
    assert "21 parts: 3 held, 18 complete" in text(app)
    assert f"[K_26-1](/part?serial={LATE}),K40,[B26](/decide?on=B26&as=batch),held" in tables(app)


def test_a_page_beyond_the_last_shows_the_last(screen: Any, shop_db: str) -> None:
    app = screen(shop_db, "touched", factor="model", level="K40", page="9")
    assert not app.exception
    assert app.number_input(key="page").value in (1, 2)


@pytest.mark.parametrize("look", ["light", "dark"])
def test_text_of_the_theme_can_be_read(look: str) -> None:
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1; relative luminance as defined there."""
    with (folder("dashboard") / "theme.toml").open("rb") as file:
        theme = tomllib.load(file)["theme"][look]
    grounds = [theme["backgroundColor"], theme["secondaryBackgroundColor"]]
    names = [name for name in theme if name.endswith(("textColor", "TextColor", "linkColor"))]
    assert len(names) == 7
    for name in names:
        for ground in grounds:
            assert contrast(theme[name], ground) >= 4.5, (name, ground)


def contrast(one: str, other: str) -> float:
    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def luminance(color: str) -> float:
    parts = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
