"""An archive of known statistics: ``python -m tests.benchmarks.archive DATA [COUNT]`` (a million inspections).

Numbers of every characteristic are drawn from a stated process (`Process`); the last 20,000 inspections have whole
records with profiles (their traces and profiles are those of 60 shells, over and over), the others numbers only.
Written straight into the tables, 5,000 at a time, each of these with its own seed: stopped and started again it goes on
where it was and comes to the same.
"""

from __future__ import annotations

import copy
import json
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import edgeinspect
from edgeinspect.conformity import Answer
from edgeinspect.process.flaws import KINDS, FlawReading, Flaws, flaw_answers
from edgeinspect.process.limits import Limit, flaw_of, limits_of
from edgeinspect.process.readings import Held, Reading, Readings, Seen
from edgeinspect.process.what_if import BY_SEVERITY, severities
from edgeinspect.shell.definition import ShellDefinition
from edgeinspect.shell.files import load_shell
from edgeinspect.store.codec import Arrays, pack, to_plain
from edgeinspect.store.inspections import Store
from edgeinspect.store.readings import layout_text
from edgeinspect.store.review_queue import how_bad
from tests.web.sample_inspections import make_inspection

AT_ONCE = 5_000
WHOLE = 20_000  # of the newest
TEMPLATES = 60
EVERY_S = 90.0
LAST = datetime(2026, 11, 25, 6, tzinfo=UTC)
VARIANT = "standard"
MODEL = Path(edgeinspect.__file__).parents[1] / "models" / "toplid"


@dataclass(frozen=True)
class FlawProcess:
    """Truth of one kind: so many a shell (Poisson), length and depth apart from each other, both log-normal."""

    a_shell: float
    length_mm: float  # median
    depth_mm: float  # median
    spread: float = 0.5  # sd of the natural logarithms

    def draw(self, count: int, rng: np.random.Generator) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Which shell (F,), and true length and depth (F, 2)."""
        shell = np.repeat(np.arange(count), rng.poisson(self.a_shell, count))
        sizes = np.array([self.length_mm, self.depth_mm]) * np.exp(rng.normal(0, self.spread, (len(shell), 2)))
        return shell, sizes


U_FLAW_MM = (0.05, 0.02)  # of length and depth
LEAST_FLAW_MM = 0.1  # what reads shallower is not told from a good cut


@dataclass(frozen=True)
class Process:
    """Truth: a normal path error moves all zones, each by its own direction; every zone has its own normal spread.
    Flaws come by chance, whatever the path does.
    """

    path_mm: float = 0.07  # sd of the path error, right and up
    zone_mm: float = 0.065  # sd of a zone beside it
    mean_mm: float = 0.09  # of the highest deviation of a zone
    room_mm: float = 0.22  # from the highest to the lowest deviation of a zone, at least
    room_sd_mm: float = 0.03
    u_mm: float = 0.03  # of the gauge, zones
    unseen: float = 0.004  # share of shells of which one zone is not seen
    nick: FlawProcess = FlawProcess(0.08, 0.5, 0.18)
    burr: FlawProcess = FlawProcess(0.05, 0.6, 0.15)
    strand: FlawProcess = FlawProcess(0.01, 6.0, 1.0)
    chatter: FlawProcess = FlawProcess(0.004, 15.0, 0.15)
    not_looked: float = 0.05  # share of shells from before flaws were looked for

    def draw(self, count: int, seed: int, limits: dict[str, Limit]) -> tuple[Readings, Readings]:
        """True values and readings of ``count`` shells, one after the other in time."""
        rng = np.random.default_rng(seed)
        names = characteristics(limits)
        zones = [k for k, name in enumerate(names) if name.startswith("zone ")]
        turn = 2 * np.pi * np.arange(len(zones)) / len(zones)
        directions = np.column_stack([np.cos(turn), np.sin(turn)])
        path = rng.normal(0.0, self.path_mm, (count, 2))
        most, least = (np.empty((count, len(names))) for _ in range(2))
        most[:, zones] = self.mean_mm + path @ directions.T + rng.normal(0, self.zone_mm, (count, len(zones)))
        room = self.room_mm + np.abs(rng.normal(0.0, self.room_sd_mm, (count, len(zones))))
        least[:, zones] = most[:, zones] - room
        for k, name in enumerate(names):
            if k not in zones:
                limit = limits[name]
                if name == "path shift":
                    single = np.hypot(*path.T)
                elif np.isinf(limit.lower):
                    single = np.hypot(*rng.normal(0.0, 0.2 * limit.upper, (2, count)))
                else:
                    single = rng.normal(0.05 * limit.upper, 0.22 * limit.upper, count)
                most[:, k] = least[:, k] = single
        u = np.where([k in zones for k in range(len(names))], self.u_mm, 0.02)
        units = tuple("deg" if "rotation" in name else "mm" for name in names)
        true = Readings(
            names,
            units,
            np.arange(1, count + 1),
            least,
            np.broadcast_to(u, least.shape),
            most,
            np.broadcast_to(u, least.shape),
            np.full(least.shape, Seen.WHOLE, np.uint8),
            np.zeros(count, np.uint8),
            np.zeros(count, np.int8),
        )
        noise = rng.normal(0.0, 1.0, (2, *least.shape)) * u
        noise[1] = np.where([k in zones for k in range(len(names))], noise[1], noise[0])  # one number, read once
        seen = true.seen.copy()
        blind = np.flatnonzero(rng.random(count) < self.unseen)
        seen[blind, rng.choice(zones, len(blind))] = Seen.NOTHING
        every, found = self._flaws(count, rng)
        true = replace(true, flaws=every)
        return true, replace(true, least=least + noise[0], most=most + noise[1], seen=seen, flaws=found)

    def _flaws(self, count: int, rng: np.random.Generator) -> tuple[Flaws, Flaws]:
        """Of all shells as they are, and as read where they were looked for."""
        drawn = [getattr(self, kind).draw(count, rng) for kind in KINDS]
        shell = np.concatenate([one for one, _ in drawn])
        kind = np.repeat(np.arange(len(KINDS)), [len(one) for one, _ in drawn]).astype(np.uint8)
        order = np.argsort(shell, kind="stable")
        true = np.concatenate([sizes for _, sizes in drawn])[order]
        shell, kind = shell[order], kind[order]
        u = np.broadcast_to(np.array(U_FLAW_MM), true.shape)
        read = true + rng.normal(0.0, 1.0, true.shape) * u
        looked = rng.random(count) >= self.not_looked
        told = looked[shell] & (read[:, 1] >= LEAST_FLAW_MM) & (read[:, 0] > 0)

        def rows(sizes: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.stack([sizes, u], axis=2).reshape(-1, 4)

        every = Flaws(np.ones(count, np.bool_), shell, kind, rows(true))
        return every, Flaws(looked, shell[told], kind[told], rows(read)[told])


def characteristics(limits: dict[str, Limit]) -> tuple[str, ...]:
    """Those with one number a way; flaws are kept one by one."""
    return tuple(sorted(name for name in limits if flaw_of(name) is None))


@dataclass(frozen=True)
class Words:
    """Where each characteristic is, in the operator's words."""

    lid: ShellDefinition

    @cached_property
    def by_name(self) -> dict[str, str]:
        found = {f"zone {zone.name}": zone.words for zone in self.lid.zones}
        for name in limits_of(self.lid, VARIANT):
            for one in (*self.lid.cutouts, *self.lid.decals):
                if name.split(" ")[1] == one.name:
                    found[name] = one.words
        return {name: found.get(name, "whole outline") for name in limits_of(self.lid, VARIANT)}


def _templates(lid: ShellDefinition) -> list[tuple[dict[str, Any], bytes]]:
    """Whole records with their arrays, packed once."""
    found = []
    for number in range(TEMPLATES):
        inspection = make_inspection("good", "T", lid)
        rng = np.random.default_rng(number)
        measurement = inspection.measurement
        moved = rng.normal(0.0, 0.05, (len(measurement.profiles[0].arc_mm) // 20 + 2))
        profiles = tuple(
            replace(
                one,
                deviation_mm=one.deviation_mm
                + np.interp(one.arc_mm, np.arange(len(moved)) * 20 * (one.arc_mm[1] - one.arc_mm[0]), moved),
            )
            for one in measurement.profiles
        )
        arrays: Arrays = []
        whole = replace(inspection, measurement=replace(measurement, ribbons=(), profiles=profiles))
        found.append((to_plain(whole, arrays), pack(arrays)))
    return found


def chunk(
    first: int, count: int, total: int, whole: int, lid: ShellDefinition, templates: list[tuple[dict[str, Any], bytes]]
) -> dict[str, list[tuple[Any, ...]]]:
    """Rows of ``count`` inspections from number ``first`` on, by table. The last ``whole`` have profiles."""
    limits = limits_of(lid, VARIANT)
    _, readings = Process().draw(count, first, limits)
    each, shell = severities(readings, limits)
    lower, upper = (
        np.array([getattr(limits[name], way) for name in readings.characteristics]) for way in ("lower", "upper")
    )
    below = np.where(np.isinf(lower), -np.inf, readings.least / np.where(np.isinf(lower), 1.0, lower))
    strain = np.maximum(readings.most / upper, below)
    strain = np.where(np.isfinite(strain), strain, -np.inf)
    worst = np.argmax(each * 1e6 + np.clip(strain, -1e3, 1e3), axis=1)
    words, names = Words(lid).by_name, readings.characteristics
    flaws = readings.all_flaws
    of_flaws, ends = flaw_answers(flaws, limits), np.searchsorted(flaws.shell, np.arange(count + 1))
    numbers = np.stack([readings.least, readings.u_least, readings.most, readings.u_most], axis=2).astype("<f8")
    numbers[readings.seen == Seen.NOTHING] = np.nan
    rng = np.random.default_rng(first + 10**9)
    lengths = rng.normal(0.0, 0.01, (count, 2))
    nothing = pack([])
    rows: dict[str, list[tuple[Any, ...]]] = {
        name: [] for name in ("inspection", "arrays", "finding", "reading", "known_length")
    }
    slim = _slim(templates[0][0])
    for n in range(count):
        number = first + n
        at = (LAST - timedelta(seconds=EVERY_S * (total - number))).strftime("%Y-%m-%dT%H:%M:%S.000Z")
        answer = BY_SEVERITY[int(shell[n])]
        told = [int(worst[n]), *(int(k) for k in np.flatnonzero(each[n] > 0) if k != worst[n])]
        findings = [_finding(readings, n, k, each, limits, words) for k in told]
        own = slice(int(ends[n]), int(ends[n + 1]))
        bad_flaws = sorted((f for f in range(own.start, own.stop) if of_flaws[f] > 0), key=lambda f: -of_flaws[f])
        leads = bool(bad_flaws) and of_flaws[bad_flaws[0]] >= each[n, told[0]]  # as judging orders what is equally bad
        of_these = [_flaw_finding(flaws, f, limits, BY_SEVERITY[int(of_flaws[f])]) for f in bad_flaws]
        findings = of_these + findings if leads else findings + of_these
        plain, arrays = templates[number % TEMPLATES] if number > total - whole else (slim, nothing)
        shell_id, sentence = f"A{number}", findings[0]["sentence"]
        if answer is Answer.CONFORMING:
            sentence = f"All {len(names)} characteristics are within their limits; closest: {sentence}"
        record = {**plain, "shell_id": shell_id, "attempt": 1, "started_at": at, "finished_at": at}
        record["verdict"] = {
            **plain["verdict"], "answer": answer.value, "sentence": sentence, "findings": findings,
            "action": findings[0]["action"],
        }  # fmt: skip
        text = json.dumps(record, ensure_ascii=False, separators=(",", ":"))
        top = findings[0]["characteristic"]
        upper_strain = float(strain[n, told[0]])
        if leads:
            upper_strain = 0.0 if findings[0]["value"] is None else findings[0]["value"] / findings[0]["upper"]
        bad = how_bad(answer, None if findings[0]["value"] is None else upper_strain)
        rows["inspection"].append(
            (number, shell_id, 1, lid.name, VARIANT, answer.value, sentence, findings[0]["action"], top,
             findings[0]["where"], at, at, text, None, bad)
        )  # fmt: skip
        rows["arrays"].append((number, arrays))
        for rank, one in enumerate(findings):
            rows["finding"].append(
                (number, rank, one["characteristic"], one["where"], one["answer"], one["unit"],
                 *(one[key] for key in ("value", "u", "lower", "upper")))
            )  # fmt: skip
        seen_flaws = FlawReading(bool(flaws.looked[n]), flaws.kind[own], flaws.sizes[own]).content()
        rows["reading"].append((number, 1, 0, numbers[n].tobytes() + readings.seen[n].tobytes() + seen_flaws))
        for pair, known in enumerate((430.0, 320.0)):
            rows["known_length"].append(
                (number, "top", pair, f"marks {pair} to {pair + 1}", known, known + float(lengths[n, pair]))
            )
    return rows


def _slim(plain: dict[str, Any]) -> dict[str, Any]:
    """A record of numbers only."""
    found = copy.deepcopy(plain)
    for name in ("traces", "profiles", "zones", "cutouts", "decals"):
        found["measurement"][name] = []
    for name in ("cut", "seating", "best_fit", "path_shift", "path_rotation"):
        found["measurement"][name] = None
    for view in found["measurement"]["views"]:
        view["fixture_pose"] = None
    return found


def _finding(
    readings: Readings, n: int, k: int, each: NDArray[np.int8], limits: dict[str, Limit], words: dict[str, str]
) -> dict[str, Any]:
    name, unit = readings.characteristics[k], readings.units[k]
    limit, answer = limits[name], BY_SEVERITY[int(each[n, k])]
    where, blind = words[name], readings.seen[n, k] == Seen.NOTHING
    most, least = float(readings.most[n, k]), float(readings.least[n, k])
    value = most if np.isinf(limit.lower) or most / limit.upper >= least / limit.lower else least
    u = float(readings.u_most[n, k])
    way = "too much material" if value >= 0 else "cut too deep"
    said = "the edge was not seen" if blind else f"{abs(value):.2f} {unit} {way} (limit {limit.upper:+.2f} {unit})"
    return {
        "characteristic": name,
        "where": where,
        "answer": answer.value,
        "unit": unit,
        "value": None if blind else value,
        "u": None if blind else u,
        "lower": None if np.isinf(limit.lower) else limit.lower,
        "upper": limit.upper,
        "guard": limit.guard_factor * u,
        "frame": "from the shell's datums",
        "sentence": f"{where[:1].upper()}{where[1:]}: {said}",
        "action": "rack it" if answer is Answer.CONFORMING else "set aside",
        "at_arc_mm": None,
        "at_shell_mm": None,
    }


def _flaw_finding(flaws: Flaws, f: int, limits: dict[str, Limit], answer: Answer) -> dict[str, Any]:
    kind = KINDS[flaws.kind[f]]
    length, _, depth, u = flaws.sizes[f].tolist()
    limit = limits.get(f"{kind} depth")
    at = 10 * (f % 130)
    return {
        "characteristic": f"{kind} at {at} mm",
        "where": "rim",
        "answer": answer.value,
        "unit": "mm",
        "value": depth if limit else None,
        "u": u if limit else None,
        "lower": None,
        "upper": limit.upper if limit else None,
        "guard": limit.guard_factor * u if limit else None,
        "frame": "from the smooth edge beside it" if limit else "",
        "sentence": f"Rim: {kind} {length:.2f} mm long, {depth:.2f} mm deep",
        "action": "set aside" if limit else "blow off and look again",
        "at_arc_mm": float(at),
        "at_shell_mm": None,
    }


def write_archive(data: Path, count: int, lid: ShellDefinition, whole: int = WHOLE) -> Iterator[int]:
    """Goes on from what is there; yields how many there are after every chunk."""
    templates = _templates(lid)
    limits = limits_of(lid, VARIANT)
    reading = Reading(
        characteristics(limits),
        tuple("deg" if "rotation" in name else "mm" for name in characteristics(limits)),
        np.empty((0, 4)),
        np.empty(0, np.uint8),
        Held.NOTHING,
    )
    with Store.open(data) as store:
        while True:
            with store._engine.begin() as connection:
                done = int(
                    connection.exec_driver_sql("SELECT coalesce(max(inspection_id), 0) FROM inspection").scalar_one()
                )
                if done >= count:
                    return
                if done == 0:
                    connection.exec_driver_sql(
                        "INSERT OR IGNORE INTO layout (layout_id, characteristics) VALUES (1, ?)",
                        (layout_text(reading),),
                    )
                many = min(AT_ONCE, count - done)
                for table, rows in chunk(done + 1, many, count, whole, lid, templates).items():
                    places = ", ".join("?" * len(rows[0]))
                    connection.exec_driver_sql(f"INSERT INTO {table} VALUES ({places})", rows)
            yield done + many


def main() -> None:
    data, count = Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1_000_000
    data.mkdir(parents=True, exist_ok=True)
    began, start = time.monotonic(), None
    for done in write_archive(data, count, load_shell(MODEL)):
        start = done - AT_ONCE if start is None else start
        each = (time.monotonic() - began) / (done - start)
        print(f"\r{done:,} of {count:,}, {each * (count - done) / 60:.1f} min to go ", end="", flush=True)
    print()


if __name__ == "__main__":
    main()
