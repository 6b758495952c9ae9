"""The result as JSON keeps to its schema, and its numbers are those of the result."""

from __future__ import annotations

import copy
import json
import os
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import jsonschema
import msgspec
import numpy as np
import pandas as pd
import pytest
from hostile_study import hostile_study
from studies import SHAPES, invented

import grr
from grr.model.rules import Plan, Rules
from grr.model.settings import Document
from grr.model.tolerance import Tolerance
from grr.page.conduct import readings_fingerprint
from grr.page.json_export import SCHEMA_FILE, result_document
from grr.shipped import shipped_folder

DEMO = shipped_folder("demo_data")
VALIDATOR = jsonschema.Draft202012Validator(json.loads(SCHEMA_FILE.read_text(encoding="utf-8")))

#: Settings that a result writes among the facts, or not at all.
_IN_FACTS = ("characteristic", "id", "facts")


def document(subject, path):
    text = grr.export_json(subject, path).read_text(encoding="utf-8")
    return json.loads(text, parse_constant=pytest.fail)


@pytest.mark.parametrize("name", ["dowel_pin", "dowel_pin_mistakes", "pins_two_ways"])
def test_demo_studies_keep_to_the_schema(tmp_path, name):
    study = grr.open_study(DEMO / name)
    content = document(study, tmp_path / "r.json")
    VALIDATOR.validate(content)
    assert content["study"]["fingerprint_sha256"] == readings_fingerprint(study)
    assert len(content["readings"]) == len(study.readings)
    readings = study.readings["reading"]
    written = [row["reading"] for row in content["readings"]]
    assert written == [
        None if missing else v for v, missing in zip(readings, readings.isna(), strict=True)
    ]


@pytest.mark.parametrize(
    "shape",
    ["no tolerance", "one operator", "upper limit only", "mean past the limit", "chosen parts",
     "all repeats equal", "readings missing", "process sd too small", "one trial"],
)  # fmt: skip
def test_odd_studies_keep_to_the_schema(tmp_path, shape):
    VALIDATOR.validate(document(SHAPES[shape](), tmp_path / "r.json"))


def test_schema_is_itself_valid_and_closed():
    jsonschema.Draft202012Validator.check_schema(VALIDATOR.schema)
    content = result_document(grr.open_study(DEMO / "dowel_pin"))
    for spoilt in (
        {**content, "more": 1},
        {**content, "version": 2},
        {key: value for key, value in content.items() if key != "readings"},
    ):
        assert list(VALIDATOR.iter_errors(spoilt))


def settings_schema() -> dict[str, Any]:
    """Return key of the part "study" → its schema, for every key that is a setting.

    ``result.schema.json`` holds these.
    """
    _, found = msgspec.json.schema_components([Document, Rules, Plan, Tolerance])
    document = found["Document"]["properties"]
    own = {
        "tolerance": {"anyOf": [{"type": "null"}, _closed(found["Tolerance"])]},
        "rules": _closed(found["Rules"]),
        "plan": {"anyOf": [{"type": "null"}, _closed(found["Plan"])]},
    }
    return {key: own.get(key, _given(document[key])) for key in document if key not in _IN_FACTS}


def _closed(kind: Mapping[str, Any]) -> dict[str, Any]:
    """Return the schema of a table of which a result writes every key, and no other."""
    return {
        "type": "object",
        "properties": {key: _given(value) for key, value in kind["properties"].items()},
        "required": list(kind["properties"]),
        "additionalProperties": False,
    }


def _given(schema: Mapping[str, Any]) -> dict[str, Any]:
    """Return the schema of a value that is always written: none is the default."""
    return {key: value for key, value in schema.items() if key != "default"}


#: What the model's schema says in these words has a name in the file.
NAMED = {
    "number": {"anyOf": [{"type": "number"}, {"type": "null"}]},
    "texts": {"type": "array", "items": {"type": "string"}},
}


def by_name(schema):
    """The schema with a reference in place of what has a name."""
    if isinstance(schema, list):
        return [by_name(one) for one in schema]
    if not isinstance(schema, dict):
        return schema
    told = {key: value for key, value in schema.items() if key == "description"}
    bare = {key: value for key, value in schema.items() if key not in told}
    for name, meant in NAMED.items():
        if bare == meant:
            return {**told, "$ref": f"#/$defs/{name}"}
    return {key: by_name(value) for key, value in schema.items()}


def with_settings(schema):
    """The schema with what follows from the model of the settings; descriptions stay."""
    renewed = copy.deepcopy(schema)
    study = renewed["properties"]["study"]["properties"]
    for key, model in by_name(settings_schema()).items():
        told = study[key].get("description")
        study[key] = {"description": told, **model} if told else model
    return renewed


def test_schema_of_the_settings_follows_from_their_model():
    """Run with GRR_RENEW_SNAPSHOTS set to 1 to write the file anew."""
    text = SCHEMA_FILE.read_text(encoding="utf-8")
    renewed = with_settings(json.loads(text))
    if os.environ.get("GRR_RENEW_SNAPSHOTS") == "1":
        text = json.dumps(renewed, ensure_ascii=False, indent=2) + "\n"
        SCHEMA_FILE.write_text(text, encoding="utf-8", newline="\n")
    assert json.loads(text) == renewed


@pytest.mark.parametrize("people", ["random", "fixed", 12])
def test_however_many_will_measure_the_schema_is_kept(tmp_path, people):
    study = replace(invented(3, 3, 2), operators=people)
    content = document(study, tmp_path / "r.json")
    VALIDATOR.validate(content)
    assert content["study"]["operators_are"] == people


def test_numbers_are_those_of_the_result(tmp_path):
    study = grr.open_study(DEMO / "dowel_pin")
    result = grr.anova(study)
    content = document(study, tmp_path / "r.json")
    first, second = content["results"]
    assert first["calculated_by"] == "anova"
    assert first["of_record"]
    assert second["calculated_by"] == "average_range"
    assert first["sources"]["GRR"]["sd"] == result.value("GRR", "sd")
    assert first["verdict"]["decision"] == grr.verdict(result).decision
    assert first["risks"]["probabilities"]["bad_accepted"]["estimate"] == pytest.approx(
        grr.misclassification(result).value("bad_accepted")
    )
    limits = grr.guard_band(result).acceptance
    assert first["acceptance"]["lower"] == limits.lower
    assert first["acceptance"]["upper"] == limits.upper


def test_a_result_is_written_as_it_is(tmp_path):
    result = grr.anova(grr.open_study(DEMO / "dowel_pin"), spread=5.15, interaction="keep")
    content = document(result, tmp_path / "r.json")
    VALIDATOR.validate(content)
    assert [one["spread"] for one in content["results"]] == [5.15]
    assert not content["results"][0]["interaction_pooled"]


def test_infinite_limits_and_missing_numbers_are_told_apart(tmp_path):
    study = SHAPES["mean past the limit"]()
    rows = document(study, tmp_path / "r.json")["results"][0]["intervals"]["rows"]
    for row in rows:
        assert row["reason"] or row["lower"] is not None
    assert any(row["lower"] is None and row["reason"] for row in rows)


def test_hostile_texts_keep_to_the_schema_and_come_back(tmp_path):
    study = hostile_study(tmp_path / "study")
    content = document(study, tmp_path / "r.json")
    VALIDATOR.validate(content)
    assert content["study"]["parts"] == list(study.parts)
    assert content["study"]["title"] == study.title


def test_same_study_gives_the_same_bytes(tmp_path):
    study = grr.open_study(DEMO / "bushing_inch")
    first, second = (grr.export_json(study, tmp_path / f"{n}.json").read_bytes() for n in "ab")
    assert first == second


def test_anything_else_is_refused(tmp_path):
    with pytest.raises(grr.StudyError, match="study or a result"):
        grr.export_json({"a": 1}, tmp_path / "r.json")
    with pytest.raises(grr.StudyError, match=r"\.json"):
        grr.export_json(grr.open_study(DEMO / "dowel_pin"), tmp_path / "r.txt")


def test_numbers_that_a_slip_has_ruined_are_not_exported():
    rng = np.random.default_rng(3)
    i, j, k, m = (n.ravel() for n in np.indices((6, 2, 2, 2)))
    y = 10.0 + 0.01 * i + 0.001 * rng.standard_normal(i.size)
    y[5] *= 1000.0
    table = pd.DataFrame({"part": i + 1, "operator": j, "trial": k + 1, "method": m, "reading": y})
    table = table.astype({"part": str, "operator": str, "method": str})
    study = grr.Study(table, tolerance=grr.Tolerance(9.9, 10.2), unit="mm")
    written = result_document(study)
    ruined, sound = False, False
    for one in written["results"]:
        numbers = [v for row in one["sources"].values() for v in row.values()]
        if one["verdict"]["banner"] == "FIX THE DATA FIRST":
            ruined = True
            assert set(numbers) == {None} and one["mean"] is None and one["ndc"] is None
            assert one["verdict"]["value"] is None and one["anova_table"] is None
            assert not one["intervals"]["rows"] and one["intervals"]["reason"]
            assert not one["risks"]["probabilities"] and one["risks"]["reason"]
            assert one["acceptance"]["guard"] is None and one["acceptance"]["reason"]
        else:
            sound |= one["sources"]["EV"]["sd"] == pytest.approx(0.001, rel=0.6)
    assert ruined and sound
    assert set(written["comparisons"][0]) == {"reason"}
    VALIDATOR.validate(json.loads(json.dumps(written)))
