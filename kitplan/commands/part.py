"""What the commands of single parts share: read, plan one part, write its files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from kitplan.commands.common import Progress, load, out_folder
from kitplan.read.problems import InputError

if TYPE_CHECKING:
    from kitplan.planning import Plan
    from kitplan.read.values import Unit
    from kitplan.write.writer import Written


def run_part(
    part: str,
    unit_path: Path,
    out: Path | None,
    seed: int | None,
    must_write: Sequence[str],
    prepare: Callable[[Unit], Unit] | None = None,
    classes: Sequence[Path] = (),
) -> tuple[Plan, Written]:
    """Plan one part of a unit and write its files, all or nothing; return the plan and what was written.

    must_write: files beside its workbook and PART.json that the folder has to allow, looked at before the work begins.
    prepare: changes or refuses the unit that was read. classes: as in `load_unit`.
    """
    from kitplan.parts.overview.readers import part_file
    from kitplan.write.writer import check_target, write_outputs

    folder = out_folder(unit_path, out)
    with Progress() as report:
        report("Reading")
        unit = load(unit_path, seed, classes=classes)
        if faults := unit.faults_of(part):
            raise InputError(faults)
        check_target(folder, (part_file(part), f"{part}.json", *must_write))
        if prepare is not None:
            unit = prepare(unit)
        from kitplan.planning import plan_unit

        plan = plan_unit(unit, seed, (part,), report)
        report("Writing")
        from kitplan.outputs import part_files

        return plan, write_outputs(folder, part_files(plan, part), remove_stale=True)
