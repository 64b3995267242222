"""rates, forecast and compare from the command line, and a plan on what was learnt."""

from __future__ import annotations

import shutil
import tomllib

import pandas as pd
import pytest
from click.testing import CliRunner

from kitplan.cli import main
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units


def run(*words):
    return CliRunner().invoke(main, [str(w) for w in words])


@pytest.fixture(scope="module")
def learnt(tmp_path_factory):
    out = tmp_path_factory.mktemp("learnt") / "out"
    result = run("rates", sample_units()["harbour_wing"], "--out", out)
    assert result.exit_code == 0, result.output
    return out


def test_rates_writes_tables_a_workbook_and_the_block(learnt):
    out = learnt
    for name in (
        "rates.xlsx",
        "rates.json",
        "resecure_learnt.toml",
        "tables/rates.csv",
        "tables/reasons.csv",
    ):
        assert (out / name).is_file(), name
    block = (out / "resecure_learnt.toml").read_text()
    assert "[resecure]" in block
    rates = pd.read_csv(out / "tables" / "rates.csv")
    assert {
        "route",
        "tube_mm",
        "technique",
        "skin",
        "events",
        "airway_days",
        "rate_per_day",
        "low",
        "high",
        "own_share",
    } <= set(rates.columns)


def test_the_learnt_block_finds_the_invented_truth_of_the_sample(learnt):
    # tests/bench/make_samples.py plays Harbour Wing with a loosening scale of 60 hours and shape 1.6.
    import tomllib

    block = tomllib.loads((learnt / "resecure_learnt.toml").read_text())["resecure"]
    assert block["loosening_scale_hours"] == pytest.approx(60, rel=0.08)
    assert block["loosening_shape"] == pytest.approx(1.6, rel=0.08)


def test_the_same_log_gives_the_same_bytes(learnt, tmp_path):
    run("rates", sample_units()["harbour_wing"], "--out", tmp_path / "out")
    for path in learnt.rglob("*.*"):
        assert (tmp_path / "out" / path.relative_to(learnt)).read_bytes() == path.read_bytes(), path.name


def test_a_plan_rests_on_the_block_where_it_is_pasted_into_unit_toml(learnt, tmp_path):
    unit = tmp_path / "unit"
    shutil.copytree(sample_units()["mill_lane"], unit)
    block = (learnt / "resecure_learnt.toml").read_text()
    with (unit / "unit.toml").open("a") as settings:
        settings.write("\n" + block)
    held = load_unit(unit)
    told = tomllib.loads(block)["resecure"]
    assert held.frequency["loosening_shape"].tolist() == pytest.approx([told["loosening_shape"]] * held.n_strata)
    assert not held.doubt.learn
    assert run("check", unit).exit_code == 0


def test_a_unit_without_a_log_tells_the_rates_that_its_plan_rests_on_and_writes_no_block(tmp_path):
    result = run("rates", sample_units()["mill_lane"], "--out", tmp_path / "out")
    assert result.exit_code == 0
    assert "How often: the shipped guess" in result.output
    assert not (tmp_path / "out" / "resecure_learnt.toml").exists()


def test_rates_that_stock_issues_taught_are_told_as_such_with_their_range(tmp_path):
    """They were told as defaults, from half to twice the rate, although the plan rests on what the issues say."""
    unit = tmp_path / "unit"
    shutil.copytree(sample_units()["harbour_wing"], unit)
    (unit / "resecure_log.csv").unlink()
    result = run("rates", unit, "--out", tmp_path / "out")
    assert "days of stock issues" in result.output
    rates = pd.read_csv(tmp_path / "out" / "tables" / "rates.csv")
    assert rates["because"].str.startswith("learnt from").all()
    assert (rates["high"] / rates["low"]).max() < 2.5
    assert rates["rate_per_day"].between(rates["low"], rates["high"]).all()
    ahead = run("forecast", unit, "--out", tmp_path / "ahead")
    assert "How often: learnt from" in ahead.output, "the months ahead say the same"


@pytest.mark.parametrize("start", ["1999-04", "2090-04"])
def test_a_budget_year_of_which_nothing_is_known_is_said_to_be_so(start, tmp_path):
    """It was forecast as if it were now, or left out without a word."""
    unit = tmp_path / "unit"
    shutil.copytree(sample_units()["harbour_wing"], unit)
    text = (unit / "unit.toml").read_text()
    (unit / "unit.toml").write_text(text.replace('start = "2026-01"', f'start = "{start}"'))
    result = run("forecast", unit, "--out", tmp_path / "out")
    assert f"Budget year from {start}: its months are neither known" in result.output
    assert "lands at" not in result.output


def test_forecast_writes_months_backtest_and_variance(tmp_path):
    out = tmp_path / "out"
    result = run("forecast", sample_units()["harbour_wing"], "--out", out)
    assert result.exit_code == 0, result.output
    use = pd.read_csv(out / "tables" / "monthly_use.csv")
    assert use["month"].nunique() == 12
    assert {"month", "item", "expected_units", "low_units", "high_units", "expected_packs", "value"} <= set(
        use.columns
    )
    variance = pd.read_csv(out / "tables" / "variance.csv")
    parts = variance[["forecast_value", "census", "frequency", "use_per_event", "unexplained", "price"]].sum(
        axis=1
    )
    assert (parts - variance["actual_value"]).abs().max() < 1e-6
    assert len(pd.read_csv(out / "tables" / "backtest.csv")) >= 2
    assert (out / "months.xlsx").is_file()


def test_compare_says_which_cause_moved_what(tmp_path):
    a, b = tmp_path / "a", tmp_path / "b"
    for folder in (a, b):
        shutil.copytree(sample_units()["mill_lane"], folder)
        text = (folder / "unit.toml").read_text()
        policy = folder / "policy.toml"
        policy.write_text("[planning.scenarios]\nvalue = 2000\n[planning.verify_scenarios]\nvalue = 2000\n")
        if folder is b:
            text += "\n[resecure]\nloosening_scale_hours = 120\n"
        (folder / "unit.toml").write_text(text)
    result = run("compare", a, b, "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    causes = pd.read_csv(tmp_path / "out" / "tables" / "compare_causes.csv").set_index("cause")
    assert causes.loc["how often they are renewed", "monthly_value"] < -5
    assert "how often they are renewed" in result.output
