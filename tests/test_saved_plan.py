"""A plan in its folder: opened again whole, or refused in a line; never the numbers of two plans mixed."""

import contextlib
import copy
import io
import json
import pickle
import shutil
import zipfile
from dataclasses import replace
from datetime import date
from hashlib import sha256

import numpy as np
import pandas as pd
import pytest

import kitplan
from kitplan.outputs import plan_files
from kitplan.read.problems import InputError
from kitplan.resources import sample_units
from kitplan.saved import folder as saved
from kitplan.saved.values import Damaged, Packed, packed


@pytest.fixture(scope="module")
def made():
    return kitplan.plan(kitplan.load_unit(sample_units()["harbour_wing"]), seed=5)


@pytest.fixture(scope="module")
def kept(made, tmp_path_factory):
    return made.save(tmp_path_factory.mktemp("kept") / "plan")


@pytest.fixture
def folder(kept, tmp_path):
    return shutil.copytree(kept, tmp_path / "plan")


def test_every_result_comes_back_exactly_as_it_was(made, kept):
    opened = kitplan.open_plan(kept)
    assert opened.parts == made.parts
    for part in made.parts:
        assert packed({part: opened.result(part)}) == packed({part: made.result(part)})
    pd.testing.assert_frame_equal(opened.par.levels, made.par.levels)
    pd.testing.assert_frame_equal(opened.unit.items, made.unit.items)
    assert (opened.number, opened.seed, opened.skipped) == (made.number, 5, dict(made.skipped))


def test_an_opened_plan_may_be_sent_to_another_process(kept):
    opened = kitplan.open_plan(kept)
    for sent in (pickle.loads(pickle.dumps(opened)), copy.deepcopy(opened)):
        assert packed({"par": sent.par}) == packed({"par": opened.par})
        assert np.array_equal(sent.demand().units, opened.demand().units)


def test_an_opened_plan_writes_the_same_papers_and_tables_byte_for_byte(made, kept):
    """What every sheet, print and table rests on was kept: nothing of it is planned again."""
    assert plan_files(kitplan.open_plan(kept)) == plan_files(made)


@pytest.mark.parametrize("stream", saved.STREAMS)
@pytest.mark.parametrize("lost", [False, True])
def test_scenarios_are_the_same_whether_they_were_kept_or_are_drawn_again(made, folder, stream, lost):
    if lost:
        (folder / saved.SCENARIOS).unlink()
    again = kitplan.open_plan(folder).demand(stream)
    assert np.array_equal(again.units, made.demand(stream).units)
    assert np.array_equal(again.re_secures, made.demand(stream).re_secures)


def fault_of(folder) -> str:
    with pytest.raises(InputError) as error:
        kitplan.open_plan(folder).par  # noqa: B018
    problem, = error.value.problems
    assert problem.mend == "Plan again: kitplan plan UNIT."
    return problem.fault


def rewrite(folder, **changes):
    record = json.loads((folder / "plan.json").read_text())
    (folder / "plan.json").write_text(json.dumps(record | changes))


def test_a_folder_without_a_plan_says_so(tmp_path):
    assert fault_of(tmp_path) == "holds no plan.json"


@pytest.mark.parametrize("damage", ["", "{", '{"plan_number": 3}', "[1]", "[" * 100_000])
def test_a_damaged_record_is_refused(folder, damage):
    (folder / "plan.json").write_text(damage)
    assert fault_of(folder) == "is damaged"


def test_a_plan_of_another_version_is_refused(folder):
    rewrite(folder, version="0.0.9")
    assert fault_of(folder) == f"holds a plan of kitplan 0.0.9; this is {kitplan.__version__}"


def test_half_a_folder_is_refused(folder):
    (folder / saved.PLAN).unlink()
    assert fault_of(folder) == "is not there"


def test_files_of_two_plans_are_never_mixed(folder, made):
    other = kitplan.plan(kitplan.load_unit(sample_units()["mill_lane"]), parts=["par"])
    (folder / saved.PLAN).write_bytes(saved.saved_files(other)[saved.PLAN])
    assert fault_of(folder) == "does not belong to the plan.json beside it"
    outputs = json.loads((folder / "plan.json").read_text())["outputs"]
    rewrite(folder, outputs=outputs | {saved.PLAN: sha256((folder / saved.PLAN).read_bytes()).hexdigest()})
    assert fault_of(folder) == f"is of plan {other.number}, not of {made.number}"


def test_a_plan_whose_catalogue_lacks_a_column_of_today_is_refused(folder, made):
    unit = replace(made.unit, items=made.unit.items.drop(columns="routes"))
    (folder / saved.PLAN).write_bytes(saved.saved_files(replace(made, unit=unit))[saved.PLAN])
    outputs = json.loads((folder / "plan.json").read_text())["outputs"]
    rewrite(folder, outputs=outputs | {saved.PLAN: sha256((folder / saved.PLAN).read_bytes()).hexdigest()})
    assert fault_of(folder) == "is damaged, or of another version of kitplan"


def test_scenarios_of_another_plan_are_not_believed(folder, made):
    other = kitplan.plan(kitplan.load_unit(sample_units()["harbour_wing"]), seed=6, parts=["par"])
    (folder / saved.SCENARIOS).write_bytes(saved.saved_files(other)[saved.SCENARIOS])
    assert np.array_equal(kitplan.open_plan(folder).demand().units, made.demand().units)


@pytest.mark.parametrize("name", ["os:system", "pathlib:Path", "kitplan.planning:plan_unit", "kitplan.nowhere:Thing",
                                  "kitplan.solve.values:SolverReport"])
def test_a_file_from_elsewhere_can_name_no_other_class(name):
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as file:
        file.writestr("bad.json", json.dumps({"is": name, "of": {"command": "true"}}))
    with pytest.raises(Damaged):
        Packed(held.getvalue()).value("bad")


@pytest.mark.parametrize("value", [
    1, 1.5, float("nan"), float("-inf"), True, None, "text ü", (1, "a", (2.5,)), [1, [2]], {("a", 1): 2},
    date(2026, 3, 2), np.arange(3.0), np.arange(1000).reshape(10, 100),
    np.array(["a", None], dtype=object), np.array(["2026-01-01"], dtype="datetime64[D]"), np.int64(4),
    pd.DataFrame({"a": [1, 2], "b": [np.nan, 0.5], "c": ["x", None], "d": [True, False]}),
    pd.DataFrame({"n": pd.array([1, None], dtype="Int64")}, index=pd.Index(["r", "s"], name="row")),
    pd.Series([1.0, 2.0], index=["a", "b"], name="s"),
], ids=lambda v: type(v).__name__)
def test_values_come_back_as_they_were(value):
    again = Packed(packed({"it": value})).value("it")
    if isinstance(value, pd.DataFrame):
        pd.testing.assert_frame_equal(again, value)
    elif isinstance(value, pd.Series):
        pd.testing.assert_series_equal(again, value)
    elif isinstance(value, np.ndarray):
        assert again.dtype == value.dtype
        assert np.array_equal(again, value)
    else:
        assert repr(again) == repr(value if not isinstance(value, np.generic) else type(again)(value))
    assert packed({"it": again}) == packed({"it": value})


@pytest.mark.parametrize("value", [
    fault_of, {1, 2}, pd.Timestamp("2026-03-02 04:05"), pd.Period("2026-03", "M"),
    pd.DataFrame({"m": pd.period_range("2026-01", periods=2, freq="M")}),
    pd.DataFrame({"a": [1]}, index=pd.MultiIndex.from_tuples([("a", 1)])),
], ids=lambda v: type(v).__name__)
def test_what_cannot_be_kept_is_a_defect_that_is_seen_at_once(value):
    with pytest.raises(TypeError, match="cannot be saved"):
        packed({"it": value})


@pytest.mark.parametrize("seed", range(6))
def test_a_file_that_was_tampered_with_ends_in_its_one_line_or_in_sound_values(folder, seed):
    """Bytes changed at random under a checksum that was made to fit: no other error gets out."""
    place, chance = folder / saved.PLAN, np.random.default_rng(seed)
    content = np.frombuffer(place.read_bytes(), dtype=np.uint8).copy()
    for _ in range(12):
        spoilt = content.copy()
        spoilt[chance.integers(0, len(content), 4)] = chance.integers(0, 256, 4)
        place.write_bytes(spoilt.tobytes())
        outputs = json.loads((folder / "plan.json").read_text())["outputs"]
        rewrite(folder, outputs=outputs | {saved.PLAN: sha256(spoilt.tobytes()).hexdigest()})
        with contextlib.suppress(InputError):
            opened = kitplan.open_plan(folder)
            for part in opened.parts:
                opened.result(part)
