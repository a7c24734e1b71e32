"""The planner's tools: a plan to begin with, what two plans differ in, and what a file may hold."""

from __future__ import annotations

import datetime
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from ruamel.yaml import YAML

from tracker.cli.main import main
from tracker.plan.diff import differences
from tracker.plan.json_schema import sentences
from tracker.plan.model import Confidence
from tracker.plan.read import parse_plan, read_plan
from tracker.plan.scalars import ALONE
from tracker.plan.schema import PLACES
from tracker.plan.skeleton import KINDS, Wanted, skeleton

TOP = Path(__file__).parents[2]
PLANS = [TOP / f"plans/{name}.yaml" for name in ("larkspur", "plateau", "outfall")]


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_what_new_writes_passes_check(kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "walk.yaml"
    options = ["--kind", kind, "--crew", "EV1,EV2,IV", "--limit", "2:30", "--excursion", "Walk: one"]
    assert main(["new", str(path), *options, "--schema"]) == 0
    capsys.readouterr()
    assert main(["check", str(path)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Walk: one\n") and "warning" not in said
    plan = read_plan(path)
    assert (plan.outside, plan.elapsed_limit) == (("EV1", "EV2"), 9000)
    assert path.read_text().startswith("# yaml-language-server: $schema=plan.schema.json\n")
    assert json.loads((tmp_path / "plan.schema.json").read_text()) == json.loads(schema_of("plan", capsys))
    # Never over a file.
    assert main(["new", str(path)]) == 1
    assert "is already there and stays as it is" in capsys.readouterr().err


@pytest.mark.parametrize("kind", sorted(KINDS))
@pytest.mark.parametrize("crew", [["EV1"], ["A", "B", "C"]])
def test_every_comment_of_a_key_may_be_taken_away(kind: str, crew: list[str]) -> None:
    text = skeleton(Wanted("x", dict.fromkeys(crew, True), 9000, kind))
    whole = re.sub(r"(?m)^(\s*)# (?=[a-z_]+:|- )", r"\1", text)
    assert whole.count("#") < text.count("#") - 20
    parse_plan(whole, file="p", name="p")
    for line in text.splitlines():
        # What speaks of a window or of hardware needs the comment of those away as well.
        if re.match(r"\s+# (?!window|whole|takes|leaves|brings)[a-z_]+:", line):
            parse_plan(text.replace(line, line.replace("# ", "", 1)), file="p", name="p")
    written = set(re.findall(r"(?m)(?:^|[{ ])([a-z_]+):", whole))
    fields = [field for model in PLACES.values() for field in model.model_fields.items()]
    keys = {f.alias or name for name, f in fields if f.alias != ALONE}
    assert keys - {"outside"} <= written, keys - written


@pytest.mark.parametrize(
    ("options", "line"),
    [(["--crew", "EV 1"], "--crew: 'EV 1' is no id"), (["--limit", "390"], "--limit: '390' is not a time")],
)
def test_what_new_does_not_take(
    options: list[str], line: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["new", str(tmp_path / "p.yaml"), *options]) == 2
    assert line in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_new_asks_on_a_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = iter(["Outfall", "dive", "", "1:50"])
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("builtins.input", lambda words: next(answers))
    assert main(["new", str(tmp_path / "p.yaml")]) == 0
    plan = read_plan(tmp_path / "p.yaml")
    assert (plan.excursion, plan.elapsed_limit, plan.outside) == ("Outfall", 6600, ("EV1", "EV2"))
    assert "gas" in plan.consumable


def schema_of(kind: str, capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["schema", kind]) == 0
    return capsys.readouterr().out


def plain_data(text: str) -> Any:
    """A plan as an editor sees it: instants stay text."""
    found = YAML(typ="safe", pure=True).load(text)
    return json.loads(json.dumps(found, default=_instant))


def _instant(value: object) -> str:
    assert isinstance(value, datetime.datetime)
    return value.isoformat() + ("" if value.tzinfo else "Z")


def test_16_the_schema_finds_what_is_wrong_and_nothing_else(capsys: pytest.CaptureFixture[str]) -> None:
    """By an independent validator of draft 2020-12."""
    schema = json.loads(schema_of("plan", capsys))
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    for path in PLANS:
        assert list(validator.iter_errors(plain_data(path.read_text()))) == [], path
    good = skeleton(Wanted("x", {"EV1": True}, 9000))
    assert list(validator.iter_errors(plain_data(good))) == []
    spoilt: dict[str, str] = {
        "time: 0:10": "time: 12",
        "id: second": "id: second\n        tme: 0:10",
        "priority: must": "priority: high",
        "elapsed: 2:30": "elapsed: 6h",
        "\nconsumables:\n": "\nconfidence: 90\nconsumables:\n",
        "crew: [EV1]   # Several": "crew: EV1   # Several",
        "start: 0.75": "start: 0.5 kg",
    }
    for part, other in spoilt.items():
        assert part in good, part
        found = list(validator.iter_errors(plain_data(good.replace(part, other, 1))))
        assert len(found) == 1, (other, found)


def test_the_shipped_schema_is_the_one_that_is_made(capsys: pytest.CaptureFixture[str]) -> None:
    shipped = (TOP / "plans/plan.schema.json").read_text(encoding="utf-8")
    assert shipped == schema_of("plan", capsys), "tracker schema > plans/plan.schema.json"


def test_every_key_of_a_plan_is_explained() -> None:
    for model in PLACES.values():
        keys = {name for name, field in model.model_fields.items() if field.alias != ALONE}
        assert keys == set(sentences(model)) & keys, model.__name__


@pytest.mark.parametrize("kind", ["pace", "estimate", "debrief"])
def test_other_schemas_are_schemas(kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    schema = json.loads(schema_of(kind, capsys))
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def test_the_schema_of_an_estimate_fits_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    journal = str(tmp_path / "j.sqlite")
    assert main(["record", journal, "zero", "utc=2031-05-04T14:00:00Z", "--plan", str(PLANS[0])]) == 0
    capsys.readouterr()
    assert main(["estimate", journal, "--at", "0:10", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    schema = json.loads(schema_of("estimate", capsys))
    assert list(jsonschema.Draft202012Validator(schema).iter_errors(found)) == []
    found["safe"] = "high"
    assert len(list(jsonschema.Draft202012Validator(schema).iter_errors(found))) == 1


def test_the_schema_of_a_pace_file_fits_one(capsys: pytest.CaptureFixture[str]) -> None:
    validator = jsonschema.Draft202012Validator(json.loads(schema_of("pace", capsys)))
    good = {"format": 1, "pace": {"median": 1.05, "drift": 0.1}, "crew": {"EV1": {"median": 0.98}}}
    assert list(validator.iter_errors(good)) == []
    bad: list[dict[str, Any]] = [{"pace": {"median": 100}}, {"pase": {}}, {"crew": {"EV1": {"meidan": 1}}}]
    for spoilt in bad:
        assert len(list(validator.iter_errors(spoilt))) == 1, spoilt


DEMO = PLANS[0]


def diff_of(
    edits: dict[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str], *options: str
) -> tuple[int, str]:
    text = DEMO.read_text(encoding="utf-8")
    for part, other in edits.items():
        assert part in text, part
        text = text.replace(part, other, 1)
    other_plan = tmp_path / "other.yaml"
    other_plan.write_text(text, encoding="utf-8")
    status = main(["diff", str(DEMO), str(other_plan), *options])
    return status, capsys.readouterr().out


def test_14_a_comment_is_no_difference(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = diff_of({"tasks:": "# looked over\ntasks:"}, tmp_path, capsys, "--exit-code")
    assert found == (0, "no difference\n")


def test_a_demanded_chance_is_told_with_its_decimals() -> None:
    plans = [replace(read_plan(DEMO), confidence=Confidence(need, need, True)) for need in (0.995, 0.999)]
    assert [change.words() for change in differences(*plans)] == ["confidence 99.5 % -> 99.9 %"]


def figures(text: str) -> dict[str, tuple[float, float]]:
    return {(f"{f['of']} {f['id']}"): (f["before"], f["after"]) for f in json.loads(text)["figures"]}


def test_14_a_step_that_takes_longer(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    edit = {"aside, crew: [EV1], time: 0:05": "aside, crew: [EV1], time: 0:10"}
    status, said = diff_of(edit, tmp_path, capsys, "--exit-code")
    assert status == 1
    assert said.startswith("steps\n  egress.1  time 0:05 -> 0:10\n\n")
    assert re.search(r"inside, everything +4:34:32 +4:35:00 +\+0:00:28\n", said)
    assert re.search(r"inside, must work alone +3:32:46 +3:34:00 +\+0:01:14\n", said)
    shown = re.findall(r"chance, .* (\d+) % +(\d+) % +([-+]\d+) points\n", said)
    assert len(shown) == 2 and all(f"{int(b) - int(a):+d}" == moved for a, b, moved in shown)
    assert main(["check", str(DEMO)]) == 0
    checked = re.findall(r"  (?:must work alone|everything) +(\d+) %   inside", capsys.readouterr().out)
    assert sorted(checked) == sorted(before for before, _, _ in shown), "as `check` says it"
    found = figures(diff_of(edit, tmp_path, capsys, "--json")[1])
    for which in ("everything", "must work alone"):
        before, after = found[f"chance {which}"]
        assert after < before


def test_14_a_later_limit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, said = diff_of({"elapsed: 6:30": "elapsed: 6:40"}, tmp_path, capsys)
    assert status == 0 and said.startswith("limits\n  elapsed  at 6:30 -> 6:40\n\n")
    assert "\nmargin to EV1 CO2 removal " in said and "EV1.co2" not in said, "as `check` calls it"
    found = figures(diff_of({"elapsed: 6:30": "elapsed: 6:40"}, tmp_path, capsys, "--json")[1])
    before, after = found["margin elapsed"]
    assert after - before == 600
    assert found["inside everything"][0] == found["inside everything"][1]
    before, after = found["chance everything"]
    assert after > before


def test_what_is_renamed_moved_added_and_gone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    edits = {
        "{id: bags, do: Hand out": "{id: sacks, do: Hand out",
        "  - id: egress\n    title: Leave the lock": "  - id: egress\n    title: Go out",
    }
    _, said = diff_of(edits, tmp_path, capsys)
    head = said.split("\n\n")[0].splitlines()
    assert head == [
        "tasks",
        "  egress  title Leave the lock -> Go out",
        "steps",
        "  egress.sacks  renamed egress.bags -> egress.sacks",
    ]
    a = skeleton(Wanted("x", {"EV1": True}, 9000))
    extra = a[a.index("  - id: extra") : a.index("  - id: in\n")]
    b = (
        a.replace(extra, "")
        .replace("  - id: work", extra + "  - id: work")
        .replace("what comes after", "then")
    )
    paths = [tmp_path / "a.yaml", tmp_path / "b.yaml"]
    for path, text in zip(paths, (a, b), strict=True):
        path.write_text(text)
    assert main(["diff", str(paths[0]), str(paths[1])]) == 0
    said = capsys.readouterr().out
    assert "tasks\n  extra  moved behind out\n" in said or "tasks\n  work  moved behind extra\n" in said
    assert "  work.second  do And what comes after it -> And then it\n" in said
