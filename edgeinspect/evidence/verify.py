"""A file of evidence, as somebody was sent it: is it what was written, and do its numbers come out again?"""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from pathlib import Path

from edgeinspect.errors import InputError
from edgeinspect.evidence.check import Checked, check, same_picture, with_problems
from edgeinspect.evidence.contents import Evidence
from edgeinspect.evidence.file import Opened, open_file, record_differs
from edgeinspect.evidence.page import page, says_what_its_data_say
from edgeinspect.inspection import Inspection
from edgeinspect.store.inspections import Store

_PNG = re.compile(r"data:image/png;base64,([A-Za-z0-9+/=]+)\" width=")


def check_file(path: Path, store: Store | None = None) -> Checked:
    """``store`` - the station's record, to compare with. Raises InputError when it is no file of evidence at all."""
    opened = open_file(path)
    problems = [*opened.wrong_parts(), *opened.wrong_words()]
    evidence = opened.evidence()
    checked = check(evidence)
    if checked.same_program and not opened.wrong_parts():
        problems += _otherwise_drawn(opened, evidence)
    if store is not None:
        problems += _unlike_the_record(evidence, store)
    return with_problems(checked, problems)


def _otherwise_drawn(opened: Opened, evidence: Evidence) -> list[str]:
    try:
        problems = says_what_its_data_say(opened.text, evidence)
        ours, theirs = (_PNG.findall(text) for text in (page(evidence), opened.text))
    except InputError as error:
        return list(error.problems)
    if len(ours) != len(theirs):
        return [*problems, "the page has other ribbon pictures than its data"]
    for number, (mine, yours) in enumerate(zip(ours, theirs, strict=True), 1):
        if mine != yours and not same_picture(base64.b64decode(mine), base64.b64decode(yours)):
            problems.append(f"ribbon picture {number} on the page does not show the ribbon in its data")
    return problems


def _unlike_the_record(evidence: Evidence, store: Store) -> list[str]:
    mine = evidence.inspection
    kept = store.inspection(mine.inspection_id) if mine.inspection_id is not None else None
    if kept is None:
        return [f"the station's record has no inspection {mine.inspection_id}"]
    if not kept.measurement.ribbons and mine.measurement.ribbons:  # thrown away since: then the rest must agree
        pairs = [_without_ribbons(one) for one in (kept, mine)]
        return _said(record_differs(*pairs), mine.inspection_id)
    return _said(record_differs(kept, mine), mine.inspection_id)


def _without_ribbons(inspection: Inspection) -> Inspection:
    return replace(inspection, measurement=replace(inspection.measurement, ribbons=()))


def _said(differs: bool, inspection_id: int | None) -> list[str]:
    return [f"inspection {inspection_id} is another one in the station's record than in this file"] if differs else []
