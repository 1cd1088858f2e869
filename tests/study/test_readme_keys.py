"""The README's list of keys of a study file against the settings that are read."""

from __future__ import annotations

import re
import tomllib

import pytest

from discovery.study.settings import (
    OUTCOME_MODELS,
    Analysis,
    Calibration,
    Eligibility,
    Features,
    Patients,
    PhenotypeSearch,
    Recordings,
    StudyFile,
)


@pytest.fixture(scope="module")
def readme(root):
    return (root / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def blocks(readme):
    return re.findall(r"```toml\n(.*?)```", readme, flags=re.S)


def part(blocks, section: str) -> str:
    """The lines of a section in the blocks, up to the next."""
    return next(
        found[1]
        for block in blocks
        if (found := re.search(rf"^{re.escape(section)}.*?\n(.*?)(?=^\[|\Z)", block, flags=re.S | re.M))
    )


@pytest.mark.parametrize(
    ("section", "model"),
    [
        ("[patients]", Patients),
        ("[features]", Features),
        ("[[eligibility]]", Eligibility),
        ("[analysis]", Analysis),
        ("[phenotypes]", PhenotypeSearch),
        ("[recordings]", Recordings),
    ],
)
def test_every_key_of_a_section_stands_in_its_example_once(blocks, section, model):
    lines = part(blocks, section)
    listed = re.findall(r"^(?:# )?(\w+) = ", lines, flags=re.M)
    assert sorted(listed) == sorted(model.model_fields)
    for line in lines.splitlines():
        assert "#" in line or line.split(" = ")[0] in {"", "file", "id", "folder", "column"}, line


def test_every_key_of_calibration_is_shown(blocks):
    line = re.search(r"^calibration = (.*?)#", part(blocks, "[recordings]"), flags=re.M)[1]
    assert set(Calibration.model_fields) <= set(re.findall(r"\w+", line))


def test_every_key_of_an_outcome_has_its_meaning_and_its_kind(readme):
    table = readme.split("| key of an outcome |")[1].split("\n\n")[0]
    explained = re.findall(r"`(\w+)`", "\n".join(line.split("|")[1] for line in table.splitlines()[2:]))
    keys = {key for model in OUTCOME_MODELS.values() for key in model.model_fields} - {"kind"}
    assert set(explained) == keys
    for kind, model in OUTCOME_MODELS.items():
        row = next(line for line in readme.splitlines() if line.startswith(f"| `{kind}` |"))
        own = set(model.model_fields) - {"name", "kind", "label", "unit", "defined_from", "dated"}
        assert own <= set(re.findall(r"`(\w+)`", row)), kind


def test_the_example_is_read_and_what_it_calls_defaults_are_the_defaults(blocks):
    example = tomllib.loads(blocks[0])
    study = StudyFile.model_validate(_tuples(example))
    assert study.analysis.model_dump(exclude={"workers"}) == Analysis().model_dump(exclude={"workers"})
    assert study.phenotypes.model_dump(exclude={"columns"}) == PhenotypeSearch().model_dump(
        exclude={"columns"}
    )
    said = Recordings.model_fields
    lines = part(blocks, "[recordings]")
    for key in ("window_s", "least_windows", "index"):
        shown = re.search(rf"^{key} = (\S+)", lines, flags=re.M)[1].strip('"')
        assert str(said[key].default).removesuffix(".0") == shown


def _tuples(value):
    """Lists as tuples, as a study file is read."""
    if isinstance(value, dict):
        return {key: _tuples(inner) for key, inner in value.items()}
    return tuple(_tuples(inner) for inner in value) if isinstance(value, list) else value
