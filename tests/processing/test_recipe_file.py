"""Recipes: named, versioned numbers that a TOML file may override, and nothing else."""

from __future__ import annotations

from pathlib import Path

import pytest

from chargebench.errors import RecipeError
from chargebench.processing.parameters import DEFAULTS, OPTIONAL, STEPS
from chargebench.processing.recipe import DEFAULT, Recipe, process, read_recipe
from tests.processing.simulate import simulate


def written(folder: Path, text: str) -> Path:
    """A recipe file."""
    path = folder / "quick.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_overrides_by_name(tmp_path: Path) -> None:
    """What the file says stands; the rest is as by default."""
    text = 'name = "quick"\nversion = "7"\n[parameters]\nguard_s = 1.0\n[thresholds]\nhum = 2.0\n'
    recipe = read_recipe(written(tmp_path, text))
    assert (recipe.name, recipe.version, recipe.parameters["guard_s"]) == ("quick", "7", 1.0)
    assert {k: v for k, v in recipe.parameters.items() if k != "guard_s"} == {
        k: v for k, v in DEFAULT.parameters.items() if k != "guard_s"
    }
    assert recipe.thresholds == {"hum": 2.0}


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("[parameters]\nguard = 1\n", ["guard", "guard_s"]),
        ("[parameters]\nguard_s = 99\n", ["guard_s", "99", "0 to 10"]),
        ('[parameters]\nguard_s = "wide"\n', ["guard_s", "wide"]),
        ("[parameters]\nguard_s = true\n", ["guard_s", "True"]),
        ("[parameters]\nguard_s = nan\n", ["guard_s", "nan"]),
        ('[parameters]\ndrift_model = "cubic"\n', ["drift_model", "cubic", "auto, none"]),
        ("[thresholds]\nhums = 1\n", ["hums"]),
        ("[thresholds]\nhum = inf\n", ["hum", "inf"]),
        ("step = 1\n", ["step", "steps", "parameters"]),
        ("steps = 1\n", ["steps", "1", "list"]),
        ('steps = ["answer"]\n', ["answer", "find mass rise", "may be left out"]),
        ('steps = ["guess", "answer"]\n', ["guess", "fit charge"]),
        ('name = "standard"\n[parameters]\ndrift_model = "none"\n', ["standard", "built-in"]),
        ("parameters = 3\n", ["parameters", "3", "table"]),
        ("[parameters\n", ["quick.toml"]),
    ],
)
def test_what_is_not_allowed_is_named(tmp_path: Path, text: str, names: list[str]) -> None:
    """The message names the thing, the value found and what is allowed, in one line."""
    with pytest.raises(RecipeError) as caught:
        read_recipe(written(tmp_path, text))
    assert all(name in str(caught.value) for name in names)


def test_a_recipe_is_its_steps_in_their_order(tmp_path: Path) -> None:
    """Steps that may be left out can be, and the outcome says which were done; another order is refused."""
    fewer = [step for step in STEPS if step not in OPTIONAL]
    outcome = process(simulate()[0], read_recipe(written(tmp_path, f"steps = {fewer}\n")))
    assert outcome.provenance.recipe_steps == tuple(fewer)
    assert outcome.result["charge_to_mass_nC_per_g"] is not None
    assert outcome.result["grind_time_s"] is None
    assert outcome.result["positive_charge_nC"] is None
    with pytest.raises(RecipeError, match="in this order"):
        Recipe(steps=STEPS[::-1])


def test_a_missing_file_is_a_recipe_error(tmp_path: Path) -> None:
    """No file, no recipe."""
    with pytest.raises(RecipeError, match=r"absent\.toml"):
        read_recipe(tmp_path / "absent.toml")


def test_every_default_lies_within_its_own_range() -> None:
    """A recipe made of the defaults themselves is accepted."""
    assert Recipe(parameters={key: value for key, (value, _) in DEFAULTS.items()}).parameters == DEFAULT.parameters


@pytest.mark.parametrize("model", ["none", "linear", "leakage", "curved"])
def test_a_forced_drift_model_is_used_and_named(model: str) -> None:
    """The outcome names the drift model asked for; leakage is given only where it was fitted."""
    outcome = process(simulate(tau_s=200.0)[0], Recipe(parameters={"drift_model": model}))
    assert outcome.provenance.model == model
    assert (outcome.result["leakage_time_constant_s"] is not None) == (model in ("leakage", "curved"))


def test_provenance_says_what_was_done_to_what() -> None:
    """Recipe, version, parameters, software, hash of the inputs, model, stretches and steps are all there."""
    run, _ = simulate()
    found = process(run).provenance
    assert found.raw_sha256 == run.raw_sha256()
    assert found.recipe == "standard"
    assert found.stretches_s.before[1] < found.stretches_s.grind[1] < found.stretches_s.after[1]
    assert len(found.steps) >= 4
    assert set(found.parameters) == set(DEFAULTS)
