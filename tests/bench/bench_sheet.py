"""Evaluating an ensemble against the same rules as a workbook that LibreOffice works out, without a screen.

The workbook is made by the bench (see `workbook`). Only its recalculation is timed, by a macro inside the
program: neither starting it nor reading the file counts. The counts that it comes to must be ours.
"""

from __future__ import annotations

import csv
import shutil
import subprocess
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from api.clock import SystemClock
from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.quantities import quantities
from api.readiness.asks import asks
from api.readiness.lacks import lacks
from api.readiness.scenarios import flag_scenarios
from tests.bench import Row
from tests.bench.plain_rules import Plainly
from tests.bench.workbook import write
from tests.readiness import big

ROUNDS, RECALCULATIONS = 7, 5
LONGEST_S = 600
WHAT = "counts of all flags, from the stages' conditions on"
BASELINE = "the same sheet recalculated by LibreOffice, headless, with equal results"
MACRO = """<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE script:module PUBLIC "-//OpenOffice.org//DTD OfficeDocument 1.0//EN" "module.dtd">
<script:module xmlns:script="http://openoffice.org/2000/script" script:name="Bench"
 script:language="StarBasic">
Sub Recalculate(book As String, counts As String, times As String, rounds As Integer)
  Dim hidden(0) As New com.sun.star.beans.PropertyValue
  hidden(0).Name = "Hidden"
  hidden(0).Value = True
  document = StarDesktop.loadComponentFromURL(book, "_blank", 0, hidden())
  document.calculateAll()
  Open times For Output As #1
  For turn = 1 To rounds
    began = GetSystemTicks()
    document.calculateAll()
    Print #1, CStr(GetSystemTicks() - began)
  Next
  Close #1
  Dim plain(0) As New com.sun.star.beans.PropertyValue
  plain(0).Name = "FilterName"
  plain(0).Value = "Text - txt - csv (StarCalc)"
  document.storeToURL(counts, plain())
  document.close(True)
End Sub
</script:module>
"""
LIBRARY = """<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE library:library PUBLIC "-//OpenOffice.org//DTD OfficeDocument 1.0//EN" "library.dtd">
<library:library xmlns:library="http://openoffice.org/2000/library" library:name="Standard"
 library:readonly="false" library:passwordprotected="false">
 <library:element library:name="Bench"/>
</library:library>
"""
LIBRARIES = """<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE library:libraries PUBLIC "-//OpenOffice.org//DTD OfficeDocument 1.0//EN" "libraries.dtd">
<library:libraries xmlns:library="http://openoffice.org/2000/library"
 xmlns:xlink="http://www.w3.org/1999/xlink">
 <library:library library:name="Standard" library:link="false"/>
</library:libraries>
"""


def run() -> list[Row]:
    """Ours from the stages' conditions on, as the workbook; what people lack we work out, it is given it."""
    office = shutil.which("soffice")
    if office is None:
        return [Row(WHAT, BASELINE, float("nan"), "not measured: soffice not found")]
    plan, edition, party = big.plan(), big.edition(), big.party()
    conditions = stage_conditions(plan, big.forecast())
    times, clock = [], SystemClock()
    for _ in range(ROUNDS):
        started = clock.monotonic()
        ours = flag_scenarios(
            asks(edition, plan, conditions),
            lacks(edition, plan, party),
            quantities(plan, conditions, len(party.members)),
        )
        times.append((clock.monotonic() - started) * 1000)
    with tempfile.TemporaryDirectory() as folder:
        flags, formulas = write(Path(folder) / "sheet.xlsx", members())
        counts, took_ms = recalculated(office, Path(folder), RECALCULATIONS)
    expected = [int(ours.counts[p, r]) for p, r in flags]
    if counts != expected or sum(expected) != int(np.sum(ours.counts)):
        raise RuntimeError("LibreOffice counts other flags than we do")
    return [
        Row(
            WHAT,
            BASELINE,
            took_ms / min(times),
            f"{min(times):.1f} against {took_ms:.0f} ms for {formulas:,} formulas; "
            f"{big.MEMBERS} members, {len(flags)} flags",
        )
    ]


def members() -> list[Plainly]:
    """The rules of each member of the ensemble, with what its stages will be like."""
    plan, edition, party, drawn = big.plan(), big.edition(), big.party(), big.forecast()
    lacking = lacks(edition, plan, party)
    found = []
    for i, member in enumerate(drawn.members):
        series = {name: replace(given, values=given.values[[i]]) for name, given in drawn.series.items()}
        alone = stage_conditions(plan, replace(drawn, members=(member,), series=series))
        amounts = {name: float(a[0]) for name, a in quantities(plan, alone, len(party.members)).items()}
        found.append(Plainly(edition, plan, alone, lacking, amounts))
    return found


def recalculated(office: str, folder: Path, rounds: int) -> tuple[list[int], float]:
    """The first column of `sheet.xlsx` as LibreOffice has it, and its fastest recalculation. [ms]"""
    profile = folder / "profile"
    program = [office, f"-env:UserInstallation={profile.as_uri()}", "--headless", "--norestore"]
    # The first start makes the folders of a user and what stands in them; only then a macro of ours stays.
    subprocess.run([*program, "--terminate_after_init"], capture_output=True, timeout=LONGEST_S, check=True)
    basic = profile / "user" / "basic"
    (basic / "Standard").mkdir(parents=True, exist_ok=True)
    (basic / "script.xlc").write_text(LIBRARIES)
    (basic / "Standard" / "script.xlb").write_text(LIBRARY)
    (basic / "Standard" / "Bench.xba").write_text(MACRO)
    book, counts, times = folder / "sheet.xlsx", folder / "counts.csv", folder / "times.txt"
    macro = f'macro:///Standard.Bench.Recalculate("{book.as_uri()}","{counts.as_uri()}","{times}",{rounds})'
    done = subprocess.run([*program, macro], capture_output=True, text=True, timeout=LONGEST_S, check=False)
    if not counts.exists():
        raise RuntimeError(f"LibreOffice worked nothing out: {done.stdout} {done.stderr}")
    with counts.open(newline="") as lines:
        read = [int(float(row[0])) for row in csv.reader(lines)]
    return read, min(float(line) for line in times.read_text().split())
