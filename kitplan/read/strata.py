"""Strata: one row for each kind of airway, from the rows that name route, tube size, technique and skin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from kitplan.read.blocks import Setting, read_block
from kitplan.read.columns import columns_of
from kitplan.read.findings import Findings, key_of
from kitplan.read.grids import Grid
from kitplan.read.headers import raw_table
from kitplan.read.routes import SIZE_COLUMNS, read_sizes
from kitplan.read.sizes import FACE_COLUMNS, face_band, face_row, off_grid, outer_of, sizes_from_expected
from kitplan.read.tables import TableReader
from kitplan.read.techniques import Recipes, default_technique, routes_of, technique_for
from kitplan.read.values import STRATUM_KEY, Technique


def read_keys(reader: TableReader, recipes: Recipes) -> pd.DataFrame:
    """Return route, SIZE_COLUMNS, technique, skin, patient_kg for every row of a census; faults are noted.

    An empty technique becomes the route's default; an empty skin becomes "none".
    """
    frame = pd.DataFrame({"route": route_names(reader, recipes)})
    frame["technique"] = reader.texts("technique")
    frame["skin"] = reader.texts("skin")
    frame["patient_kg"] = reader.numbers("patient_kg")
    frame["technique"] = _techniques(reader, frame, recipes)
    return frame.join(read_sizes(reader, frame["route"], recipes.routes, recipes.cuff))


def route_names(reader: TableReader, recipes: Recipes) -> np.ndarray:
    """Return the route of every row, "" where none is given; a route that no recipe serves is noted."""
    served = routes_of(recipes.techniques)
    other_words = {key_of(word): name for name in served for word in recipes.routes[name].alias}
    codes, distinct = pd.factorize(reader.texts("route"))
    keys = [key_of(text) for text in distinct] or [""]
    names = np.array([key if key in served else other_words.get(key, key) for key in keys], dtype=object)[codes]
    reader.refuse_strangers("route", names, served, "is not a route that techniques.toml describes", or_else=(
        " A route of your own is written there: kitplan new FOLDER --sample birch_house shows one."))
    return names


def refuse_techniques(reader: TableReader, written: np.ndarray, recipes: Recipes) -> None:
    """Note every technique that is neither the name nor the title of a recipe."""
    titled = [*recipes.techniques, *(t.title for t in recipes.techniques.values())]
    own = ", the unit's own, which stands in place of the shipped one: copy into it what is used"
    fault = "is not a recipe in techniques.toml" + own * (recipes.file == "techniques.toml")
    reader.refuse_strangers("technique", written, titled, fault)


def _techniques(reader: TableReader, frame: pd.DataFrame, recipes: Recipes) -> np.ndarray:
    techniques = recipes.techniques
    written = frame["technique"].to_numpy()
    given = reader.raw.columns.get("technique")
    refuse_techniques(reader, written, recipes)
    names = {text: technique_for(text, techniques) for text in pd.unique(written)}
    found = np.array([names[text] or "" for text in written], dtype=object)
    for route in routes_of(techniques):
        here = (frame["route"] == route).to_numpy()
        usual = default_technique(route, techniques)
        empty = here & (written == "")
        if usual is None:
            reader.refuse("technique", empty, None, f"is empty, and no recipe is the default of the route {route}",
                          "Name a technique, or set default = true in techniques.toml.")
        found[empty] = usual or ""
        unable = [n for n, t in techniques.items() if route not in t.routes]
        reader.refuse("technique", here & pd.Series(found).isin(unable).to_numpy(), given,
                      f"does not serve the route {route}",
                      "Name one that does, or add the route to it in techniques.toml.")
    return found


def doubt_sizes(reader: TableReader, frame: pd.DataFrame, tubes: pd.DataFrame) -> None:
    """Refuse sizes that no tube has and question those unusual for the weight; nothing is corrected.

    Fine within 0.5 mm of the sizes usual for a weight (half a size down is real practice), a warning at 1.0, a
    question at 1.5: domain practice, see the provenance column of tubes.csv.
    """
    size, weight = frame["tube_mm"].to_numpy(float), frame["patient_kg"].to_numpy(float)
    impossible, between = off_grid(size, tubes)
    given = np.array([None if np.isnan(mm) else f"{mm:g}" for mm in size], dtype=object)
    reader.refuse("tube_mm", impossible & ~reader.bad, given, "is not a tube size: they run from 2.0 to 10.0 mm",
                  "Give the internal diameter in mm, such as 3.5.")
    reader.refuse("tube_mm", between & ~reader.bad, given, "is between tube sizes, which go up by 0.5 mm",
                  "Correct it, or add the size to a tubes.csv of your own.")
    apart = np.nan_to_num(sizes_from_expected(size, weight, tubes), nan=0.0)
    wording = np.array([f"{s:g} mm at {w:g} kg" for s, w in zip(size, weight)], dtype=object) if apart.any() else None
    reader.doubt("tube_mm", (apart >= 1.5 - 1e-9) & ~reader.bad, wording,
                 "is 1.5 mm or more from the sizes usual for the weight",
                 "Is it right? Look at the size and the weight.", moves=2)
    reader.doubt("tube_mm", (apart >= 1.0 - 1e-9) & (apart < 1.5 - 1e-9) & ~reader.bad, wording,
                 "is 1.0 mm from the sizes usual for the weight", "Look at the size and the weight.")


def build_strata(
    keys: pd.DataFrame, techniques: Mapping[str, Technique], tubes: pd.DataFrame, face: pd.DataFrame,
    files: tuple[str, str], findings: Findings,
) -> tuple[pd.DataFrame, list[int]]:
    """Return the strata frame of values.Unit and the face rows in use.

    keys: STRATUM_KEY, SIZE_COLUMNS and patient_kg, any number of rows a stratum; files: names of the tubes and face
    tables. One size has one face, whatever its route, technique and skin: that of the median of all its weights.
    """
    columns = list(dict.fromkeys(["route", "size_number", *STRATUM_KEY, *SIZE_COLUMNS]))
    strata = keys[columns].drop_duplicates(STRATUM_KEY).sort_values(
        ["route", "size_number", *STRATUM_KEY[1:]], ignore_index=True)
    weights = keys.groupby("size")["patient_kg"].median()
    strata["patient_kg"] = [weights[size] for size in strata["size"]]
    strata["label"] = [_label(row, techniques) for row in strata.to_dict("records")]
    measured, used = [], []
    for row in strata.to_dict("records"):
        technique = techniques[row["technique"]]
        need = needs_face(technique, row["skin"] == "barrier")
        at = face_row(row, face) if need else None
        measured.append(measures_of(row, at, tubes, face, files[1]))
        if at is not None:
            used.append(at)
        if np.isnan(measured[-1]["outer_mm"]) and goes_round(technique):
            findings.fault(files[0], f"has no outer diameter for {row['label']}, whose tape goes round it",
                           "Add a row for the size, or write turns = 0 in the recipe.", column="tube_mm")
        if at is None and need:
            findings.fault(files[1], f"has no face measures for {row['label']}",
                           "Add a row for the size or the weight, or give the pieces a length_mm in the recipe.")
    strata = strata.join(pd.DataFrame(measured, index=strata.index))
    strata.index.name = "stratum"
    return strata, used


def measures_of(
    row: Mapping[Any, Any], at: int | None, tubes: pd.DataFrame, face: pd.DataFrame, face_file: str
) -> dict[str, Any]:
    """Outer diameter of a device with SIZE_COLUMNS, and the measures of its row `at` of the face table (None: none)."""
    spans = {column: np.nan if at is None else float(face.at[at, column]) for column in FACE_COLUMNS}
    return {"outer_mm": outer_of(row, tubes), **spans, "face_for": "" if at is None else face_band(face.loc[at]),
            "face_own": not face_file.startswith("config/")}


def goes_round(technique: Technique) -> bool:
    """Whether a recipe's tape goes round the tube."""
    return any(piece.turns for piece in technique.pieces)


def needs_face(technique: Technique, barrier: bool) -> bool:
    """Whether a recipe's pieces hang on the face: tape by a span, or a barrier piece."""
    return any(p.span is not None for p in technique.pieces) or (barrier and "barrier" in technique.uses_with_barrier)


def _label(row: Mapping[Any, Any], techniques: Mapping[str, Technique]) -> str:
    title = techniques[row["technique"]].title.replace(",", "")
    skin = "" if row["skin"] == "none" else f", {row['skin']}"
    return f"{row['route'].replace('_', ' ')} {row['size']}".strip() + f", {title}{skin}"


def stratum_codes(keys: pd.DataFrame, strata: pd.DataFrame) -> np.ndarray:
    """Return the stratum of each row of keys, -1 where there is none; shape (n,), int."""
    index = pd.MultiIndex.from_frame(strata[STRATUM_KEY])
    return index.get_indexer(pd.MultiIndex.from_frame(keys[STRATUM_KEY]))


def expected_keys(
    file: str, blocks: Sequence[Mapping[str, Any]], recipes: Recipes, tubes: pd.DataFrame, findings: Findings
) -> pd.DataFrame:
    """Return the `[[expect]]` lines: keys as read_keys gives them, mean_airways, beyond_census; faults are noted.

    A line is read as a row of a census is, and its faults are told by its number.
    """
    known = {name: replace(c, required=False) for name, c in columns_of("expect").items()}
    known["patient_kg"] = columns_of("census_counts")["patient_kg"]
    own, rows = Findings(), []
    for number, block in enumerate(blocks, 1):
        where = f"expect[{number}]"
        given = read_block(file, where, block, dict.fromkeys(known, Setting("cell")), findings)
        for key, example in (("route", '"oral"'), ("mean_airways", "0.2")):
            if key not in block:
                findings.fault(file, "is missing", f"Write {key} = {example}, say.", column=f"{where}.{key}")
        rows.append([given.get(name) for name in known])
    raw = raw_table(Grid(file, [list(known), *rows], [*range(len(rows) + 1)]), known, own)
    reader = TableReader.of(raw, own)
    assert reader is not None, "every column has its heading"
    keys = read_keys(reader, recipes)
    doubt_sizes(reader, keys, tubes)
    frame = keys.assign(mean_airways=reader.numbers("mean_airways"), beyond_census=reader.flags("beyond_census"))
    for told, noted in ((own.faults, findings.faults), (own.warnings, findings.warnings)):
        noted += [replace(p, row=None, column=f"expect[{p.row}].{p.column}") for p in told]
    findings.identities += own.identities
    whole = (frame["technique"] != "") & frame["mean_airways"].notna()
    return frame[whole & ~reader.bad].reset_index(drop=True)
