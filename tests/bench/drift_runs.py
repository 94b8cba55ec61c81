"""How often the drift engine cries wolf, and how soon it sees a shift: seeded simulation.

    python tests/bench/drift_runs.py [--streams 10000] [--seed 1] [--only quiet …]

The constants of `qc/statistics/drift/looks.py` were chosen with it. Streams are independent normal
batch means with a standard deviation of 1 unless a row says otherwise; a shift is lasting and
counts in those. Every stream goes through the whole engine."""

import argparse
import datetime as dt
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[2]))

from drift_side_by_side import NEVER, first_alarm

from qc.statistics.drift.level import BatchPoint, Drift, drift

Floats = NDArray[np.float64]
WATCHED, WITHIN = 26, 6
# a shift that is not seen in so many batches counts as seen then
LONGEST = 60
_DAYS = [dt.date(2020, 1, 1) + dt.timedelta(days=day) for day in range(400)]
_CODES = [f"B{i:03d}" for i in range(400)]
_PLACE = {code: i for i, code in enumerate(_CODES)}
# single parts scatter so where batches differ in size
WITHIN_SD = 2.0


def judged(means: Floats, baseline: int = 8, **how: object) -> Drift:
    rows = zip(_CODES, _DAYS, means.tolist(), strict=False)
    points = [BatchPoint(code, day, 1, mean) for code, day, mean in rows]
    return drift(points, baseline, **how)  # type: ignore[arg-type]


def of_sizes(means: Floats, sizes: NDArray[np.int_], sds: Floats, baseline: int = 8) -> Drift:
    rows = zip(_CODES, _DAYS, sizes.tolist(), means.tolist(), sds.tolist(), strict=False)
    return drift([BatchPoint(c, d, n, m, s if n > 1 else None) for c, d, n, m, s in rows], baseline)


def first_seen(found: Drift) -> int:
    """Place of the batch that made the first event known, NEVER without one."""
    return _PLACE[found.events[0].known_from] if found.events else NEVER


def upper_limit(hits: int, tries: int) -> float:
    """One-sided exact 95 % upper limit of a share (Clopper-Pearson)."""
    return float(stats.beta.ppf(0.95, hits + 1, tries - hits)) if hits < tries else 1.0


def quiet(streams: int, rng: np.random.Generator) -> Iterator[str]:
    """Any event from the first batch to the 26th after the baseline, and how that share differs
    between baselines: 100 baselines, each with 200 streams that follow it.
    """
    yield "| baseline | any event | upper 95 % | in the 26 only | 10, 50, 90 % point |"
    yield "| --- | --- | --- | --- | --- |"
    for baseline in (8, 12, 20):
        seen = np.array(
            [
                first_seen(judged(means, baseline))
                for means in rng.standard_normal((streams, baseline + WATCHED))
            ]
        )
        hits, later = int(np.sum(seen < NEVER)), int(np.sum((seen >= baseline) & (seen < NEVER)))
        shares = []
        for start in rng.standard_normal((100, baseline)):
            if not judged(start, baseline).events:
                follow = rng.standard_normal((200, WATCHED))
                shares.append(
                    np.mean([bool(judged(np.append(start, f), baseline).events) for f in follow])
                )
        points = ", ".join(f"{share:.1%}" for share in np.percentile(shares, (10, 50, 90)))
        after = later / (streams - hits + later)
        yield (
            f"| {baseline} | {hits / streams:.2%} | {upper_limit(hits, streams):.2%} "
            f"| {after:.2%} | {points} |"
        )


def large(streams: int, rng: np.random.Generator) -> Iterator[str]:
    """Share of large shifts seen within six batches, among streams that were quiet before."""
    yield "| baseline | clean batches before | shift | seen within six | lower 95 % |"
    yield "| --- | --- | --- | --- | --- |"
    for baseline, clean, shift in (
        *((8, 8, 4.0), (8, 12, 3.0), (12, 12, 3.0), (8, 12, 4.0), (8, 16, 4.0), (12, 30, 3.0)),
        *((20, 20, 3.0), (8, 100, 3.0), (12, 8, 4.0)),
    ):
        seen = _seen_after(streams, rng, baseline, clean, shift, WITHIN)
        share = float(np.mean(seen < WITHIN))
        least = 1 - upper_limit(int(np.sum(seen >= WITHIN)), len(seen))
        yield f"| {baseline} | {clean} | {shift:g} | {share:.2%} | {least:.2%} |"


def small(streams: int, rng: np.random.Generator) -> Iterator[str]:
    """Small shifts right after the baseline: share seen within six, and the mean number of shifted
    batches until seen (at most 60); the same for an individuals chart widened to the engine's
    share of false alarms; and the power of one t test of the baseline against the six, change time
    known. Worked out side by side.
    """
    yield _held_against_the_engine(rng)
    yield "| baseline | shift | seen | chart | one look | mean delay | chart |"
    yield "| --- | --- | --- | --- | --- | --- | --- |"
    for baseline in (8, 12, 20):
        calm = rng.standard_normal((4 * streams, baseline + WATCHED))
        false = np.mean(first_alarm(calm, baseline) < NEVER)
        wide = float(np.quantile(_outlying(calm, baseline).max(axis=1), 1 - false))
        for shift in (1.0, 1.5, 2.0, 2.5):
            means = rng.standard_normal((streams, baseline + LONGEST))
            means[:, baseline:] += shift
            seen = first_alarm(means, baseline) - baseline
            seen = seen[seen >= 0]
            outside = _outlying(means, baseline) > wide
            chart = np.where(outside.any(axis=1), outside.argmax(axis=1), NEVER)
            yield (
                f"| {baseline} | {shift:g} | {np.mean(seen < WITHIN):.3f} "
                f"| {np.mean(chart < WITHIN):.3f} | {one_look(baseline, shift):.2f} "
                f"| {np.mean(np.minimum(seen + 1, LONGEST)):.1f} "
                f"| {np.mean(np.minimum(chart + 1, LONGEST)):.1f} |"
            )


def _held_against_the_engine(rng: np.random.Generator) -> str:
    """Streams with and without a shift, judged in both ways."""
    same = tried = 0
    for baseline in (8, 12, 20):
        means = rng.standard_normal((100, baseline + 40))
        means[30:, baseline:] += 1.5
        engine = [first_seen(judged(row, baseline)) for row in means]
        same += int(np.sum(first_alarm(means, baseline) == engine))
        tried += len(means)
    return f"The engine says the same of {same} in {tried} streams.\n"


def one_look(baseline: int, shift: float) -> float:
    """Power of the two-sided 5 % t test (noncentral t)."""
    dof, away = baseline + WITHIN - 2, shift / np.sqrt(1 / baseline + 1 / WITHIN)
    least = stats.t.ppf(0.975, dof)
    return float(stats.nct.sf(least, dof, away) + stats.nct.cdf(-least, dof, away))


def _outlying(means: Floats, baseline: int) -> Floats:
    """How far the batches after the baseline lie from its mean, in its standard deviations."""
    first = means[:, :baseline]
    away = np.abs(means[:, baseline:] - first.mean(axis=1, keepdims=True))
    return np.asarray(away / first.std(axis=1, ddof=1, keepdims=True))


def _seen_after(
    streams: int, rng: np.random.Generator, baseline: int, clean: int, shift: float, more: int
) -> NDArray[np.int_]:
    """Shifted batches before the one that made it known, of streams quiet until the shift."""
    seen = []
    for means in rng.standard_normal((streams, clean + more)):
        means[clean:] += shift
        at = first_seen(judged(means, baseline))
        if at >= clean:
            seen.append(at - clean)
    return np.array(seen)


def robust(streams: int, rng: np.random.Generator) -> Iterator[str]:
    """Other streams: any event in 34 quiet batches (with a frozen baseline 26); a shift of 4 after
    12 seen within six; a fifth as many streams.
    """
    streams //= 5
    yield "| streams | any event | upper 95 % | 4 sd seen within six |"
    yield "| --- | --- | --- | --- |"

    def in_parts(most: int) -> Callable[[Floats], Drift]:
        def judge(means: Floats) -> Drift:
            sizes = rng.integers(2, most + 1, len(means))
            noise = rng.standard_normal(len(means)) * WITHIN_SD / np.sqrt(sizes)
            sds = WITHIN_SD * np.sqrt(rng.chisquare(sizes - 1) / (sizes - 1))
            return of_sizes(means + noise, sizes, sds)

        return judge

    def frozen(size: int) -> Callable[[Floats], Drift]:
        return lambda means: judged(means[12 - size :], frozen=_CODES[:size], since=_CODES[size])

    def normal(shape: tuple[int, int]) -> Floats:
        return rng.standard_normal(shape)

    kinds: dict[str, tuple[Callable[[tuple[int, int]], Floats], Callable[[Floats], Drift]]] = {
        "2 to 5 parts, sd of parts 2": (normal, in_parts(5)),
        "2 to 40 parts, sd of parts 2": (normal, in_parts(40)),
        "t with 6 degrees": (lambda shape: rng.standard_t(6, shape) / 1.5**0.5, judged),
        "lognormal, sd 30 %, plain": (
            lambda shape: 3.43 * np.exp(0.294 * rng.standard_normal(shape)), judged),
        "lognormal, sd 30 %, root": (
            lambda shape: 3.43 * np.exp(0.294 * rng.standard_normal(shape)),
            lambda means: judged(means, scale="root")),
        "normal, 12 frozen": (normal, frozen(12)),
        "normal, 8 frozen": (normal, frozen(8)),
        "normal, 4 frozen": (normal, frozen(4)),
    }  # fmt: skip
    for name, (made, judge) in kinds.items():
        length = 12 + WATCHED if "frozen" in name else 8 + WATCHED
        hits = sum(bool(judge(means).events) for means in made((streams, length)))
        seen = []
        for means in made((streams, 12 + WITHIN)):
            means[12:] += 4.0
            offset = 12 - int(name.split()[1]) if "frozen" in name else 0
            at = first_seen(judge(means)) + offset
            if at >= 12:
                seen.append(at < 12 + WITHIN)
        share, limit = hits / streams, upper_limit(hits, streams)
        yield f"| {name} | {share:.2%} | {limit:.2%} | {np.mean(seen):.2%} |"


def described(streams: int, rng: np.random.Generator) -> Iterator[str]:
    """What is said of a shift after 20 clean batches, 26 shifted, and whether it is said once; a
    fifth as many streams.
    """
    yield "| shift | first batch right | within one | interval holds | mean shift | more events |"
    yield "| --- | --- | --- | --- | --- | --- |"
    for shift in (1.5, 2.0, 3.0, 4.0, 6.0):
        rows = []
        for means in rng.standard_normal((streams // 5, 20 + WATCHED)):
            means[20:] += shift
            found = judged(means)
            if 20 <= first_seen(found) < NEVER:
                change = found.events[0].change
                off = abs(_PLACE[change.first_batch] - 20)
                holds = change.lower <= shift <= change.upper
                rows.append((off == 0, off <= 1, holds, change.shift, len(found.events) > 1))
        right, near, holds, mean, more = np.mean(np.array(rows, dtype=float), axis=0)
        yield f"| {shift:g} | {right:.1%} | {near:.1%} | {holds:.1%} | {mean:.2f} | {more:.1%} |"


def ramps(streams: int, rng: np.random.Generator) -> Iterator[str]:
    """A trend after 12 clean batches: share seen, and the height it has reached by then; a fifth as
    many streams.
    """
    yield "| per batch | seen in 30 | seen in 60 | median batch | height then |"
    yield "| --- | --- | --- | --- | --- |"
    for slope in (0.05, 0.1, 0.2):
        seen = []
        for means in rng.standard_normal((streams // 5, 72)):
            means[12:] += slope * np.arange(1, 61)
            at = first_seen(judged(means))
            if at >= 12:
                seen.append(min(at - 11, 99))
        middle = float(np.median(seen))
        shares = [float(np.mean(np.array(seen) <= batches)) for batches in (30, 60)]
        yield f"| {slope} | {shares[0]:.1%} | {shares[1]:.1%} | {middle:g} | {middle * slope:.1f} |"


TABLES = {
    "quiet": quiet,
    "large": large,
    "small": small,
    "robust": robust,
    "described": described,
    "ramps": ramps,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--streams", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", choices=list(TABLES), default=list(TABLES))
    chosen = parser.parse_args()
    for name in chosen.only:
        rng = np.random.default_rng([chosen.seed, list(TABLES).index(name)])
        print(f"\n{name}, {chosen.streams} streams a row: {TABLES[name].__doc__}\n")
        for line in TABLES[name](chosen.streams, rng):
            print(line, flush=True)


if __name__ == "__main__":
    main()
