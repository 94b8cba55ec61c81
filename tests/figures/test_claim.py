"""The claim figure: single parts where they can be told apart, ranges where they cannot."""

import plotly.graph_objects as go

from qc.figures import claim
from qc.figures.look import MOST_POINTS
from tests.figures.claim_rows import Row, answer, batches_of, rim


def drawn(rows: list[Row], **other: object) -> go.Figure:
    return claim.figure(batches_of(rows), rows, answer(**other))


def trace(figure: go.Figure, name: str) -> go.Scatter:
    return next(found for found in figure.data if (found.name or "").startswith(name))


def test_the_claim_title_counts_parts_outside_the_band_and_no_part_in_doubt() -> None:
    rows = [rim(1, 430), rim(2, 441, beyond="over"), rim(3, 445, beyond="over", suspect=True)]
    assert claim.title(batches_of(rows), answer()) == (
        "Bare mass of K40 rims: 1 of 2 parts lies above the claim's band"
    )
    rows += [rim(4, 415, beyond="under")]
    assert claim.title(batches_of(rows), answer()) == (
        "Bare mass of K40 rims: of 3 parts 1 above and 1 below the claim's band"
    )


def test_over_under_and_doubt_each_have_a_shape_and_a_word() -> None:
    rows = [
        rim(1, 430), rim(2, 441, beyond="over"), rim(3, 415, beyond="under"),
        rim(4, 430, suspect=True), rim(5, 430, claimed_g=None, over_g=None, under_g=None),
    ]  # fmt: skip
    marks = {t.name: t.marker.symbol for t in drawn(rows).data if t.mode == "markers"}
    assert len(set(marks.values())) == len(marks) == 5
    assert any("over" in name for name in marks)
    assert any("in doubt" in name for name in marks)


def test_a_batch_with_parts_in_doubt_only_stands_in_its_place() -> None:
    rows = [rim(1, 430), rim(11, 430, suspect=True), rim(21, 431)]
    doubt = trace(drawn(rows), "in doubt")
    assert list(doubt.x) == [1]
    assert list(trace(drawn(rows), "within").x) == [0, 2]


def test_a_new_claim_moves_the_band_where_it_came_into_force() -> None:
    rows = [rim(n, 430) for n in range(10)] + [rim(n, 430, claimed_g=425) for n in range(10, 20)]
    claimed = trace(drawn(rows), "claimed mass")
    assert list(zip(claimed.x, claimed.y, strict=True)) == [(-0.5, 430), (0.5, 425), (1.5, 425)]


def test_the_supported_claim_spans_the_batches_it_rests_on() -> None:
    rows = [rim(n, 430) for n in range(100)]
    line = trace(drawn(rows, supported_claim_g=424.3, supported_from="B0003"), "supported claim")
    assert (list(line.x), set(line.y)) == ([2.5, 9.5], {424.3})
    assert "424.3 g" in line.text[1]
    assert "Supported: 424.3 g" in claim.alt_text(
        batches_of(rows), rows, answer(supported_claim_g=424.3)
    )


def test_few_parts_show_their_uncertainty_and_many_do_not() -> None:
    few, many = ([rim(n, 430) for n in range(count)] for count in (300, 301))
    within = trace(drawn(few), "within")
    assert within.error_y.visible
    assert set(within.error_y.array) == {0.2}
    assert not trace(drawn(many), "within").error_y.visible


def test_batches_whose_parts_are_not_all_there_become_ranges_and_the_figure_says_so() -> None:
    rows = [rim(n, 425 + n % 10) for n in range(60_000)]
    rows += [rim(n, 450, beyond="over") for n in range(60_000, 64_000)]
    newest = rows[-2000:]
    figure = claim.figure(batches_of(rows), newest, answer())
    assert sum(len(found.x) for found in figure.data) <= MOST_POINTS
    assert len(trace(figure, "lightest to heaviest").x) == claim.MOST_BATCHES - 200
    assert len(trace(figure, "over").x) == 2000
    assert "4,000 of 64,000 parts" in figure.layout.title.text.replace("<br>", " ")


def test_a_batch_larger_than_a_screen_is_one_range() -> None:
    one = batches_of([rim(1, 430)])[0] | {"n": 9000, "least_g": 420, "most_g": 441, "over": 3}
    figure = claim.figure([one], [rim(1, 430)] * 2000, answer())
    (bar,) = [found for found in figure.data if found.type == "bar"]
    assert (bar.base[0], bar.y[0]) == (420, 21)
    assert trace(figure, "batch with parts over").y == (441,)
