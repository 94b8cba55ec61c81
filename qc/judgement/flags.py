"""Flags: what is wrong with a part, batch or gauge, since when, and what closed it."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal

CRITICAL, MAJOR, MINOR = "critical", "major", "minor"
# decisions that settle what is open; a release settles it only up to major
SETTLING = frozenset({"release", "regrade", "concession", "scrap", "return-to-supplier"})


@dataclass(frozen=True, slots=True)
class Verdict:
    """One thing found wrong by judging an aspect; `basis` names the records that say so."""

    flag: str
    severity: str
    message: str
    value: Decimal | None = None
    limit: Decimal | None = None
    unit: str = ""
    stage: str | None = None
    characteristic: str | None = None
    test: str | None = None
    probability: float | None = None
    basis: tuple[str, ...] = ()

    @property
    def key(self) -> tuple[str, ...]:
        """What makes it the same flag when judged again."""
        if self.flag in ("finding", "not-judged", "not-received"):
            return (self.flag,)
        return (self.flag, self.stage or "", self.characteristic or "", self.test or "")


@dataclass(frozen=True, slots=True)
class Flag:
    """A verdict with its time; `closed_at` is None while it stands."""

    verdict: Verdict
    raised_at: dt.datetime
    closed_at: dt.datetime | None = None
    closed_by: str | None = None


class FlagBook:
    """The flags of one subject while its history is replayed."""

    def __init__(self) -> None:
        self._open: dict[tuple[str, ...], Flag] = {}
        self._aspect_of: dict[tuple[str, ...], object] = {}
        self._settled: dict[tuple[str, ...], tuple[str, ...]] = {}
        self._closed: list[Flag] = []
        # after a rework only decisions close what was open then
        self._frozen: set[tuple[str, ...]] = set()

    def judged(self, aspect: object, verdicts: Iterable[Verdict], at: dt.datetime) -> None:
        """The aspect was judged anew: open what is new, keep what stands, close what is gone."""
        found = {verdict.key: verdict for verdict in verdicts}
        for key, owner in list(self._aspect_of.items()):
            if owner == aspect and key not in found:
                self._settled.pop(key, None)
                if key in self._open and key not in self._frozen:
                    self._close(key, at, "a newer reading or a correction")
        for key, verdict in found.items():
            self._aspect_of[key] = aspect
            standing = self._open.get(key)
            if standing:
                self._open[key] = replace(standing, verdict=verdict)
            elif self._settled.get(key) != verdict.basis:
                self._open[key] = Flag(verdict, at)

    def reworked(self) -> None:
        """From here on what is open waits for a release, or for the part to be given up."""
        self._frozen = set(self._open)

    def settled(self, decision: str, at: dt.datetime) -> None:
        """A decision closes what is open: a release all but the critical, others everything."""
        for key, flag in list(self._open.items()):
            if key == ("not-received",):
                continue
            if decision == "release" and flag.verdict.severity == CRITICAL:
                continue
            if key in self._frozen and decision in ("concession", "regrade"):
                continue
            self._settled[key] = flag.verdict.basis
            self._frozen.discard(key)
            self._close(key, at, decision)

    def _close(self, key: tuple[str, ...], at: dt.datetime, why: str) -> None:
        flag = self._open[key]
        if flag.raised_at == at and why not in SETTLING:
            del self._open[key]  # one moment's readings are one reading: it never stood
            return
        self._closed.append(replace(self._open.pop(key), closed_at=at, closed_by=why))

    def open_critical(self) -> list[Flag]:
        """The critical flags that stand now."""
        return [flag for flag in self._open.values() if flag.verdict.severity == CRITICAL]

    def all(self) -> list[Flag]:
        """Closed and open ones, in order of time."""
        flags = [*self._closed, *self._open.values()]
        return sorted(flags, key=lambda flag: (flag.raised_at, flag.verdict.key))
