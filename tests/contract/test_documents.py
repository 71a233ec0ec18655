"""The committed documents: made from the models, valid, and in agreement with the readers."""

import copy
import json
import shutil
import warnings
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from pydantic import ValidationError

from streamer import cli
from streamer.config import load_region
from streamer.contract import export
from streamer.contract.decode import decode
from streamer.contract.examples import examples
from streamer.contract.replies import Reply
from streamer.contract.schemas import MESSAGES, MessageKind
from streamer.contract.topics import Kind, parse_inbound
from tests.contract.cases import BAD, KINDS, SHARED, bad_ids, good, kind_of, schema_of, spoilt

INDEX: list[dict[str, Any]] = json.loads((SHARED / "examples/index.json").read_text())


def validator(kind: MessageKind) -> Any:
    # OUTSIDE: rfc3339-validator must be there, or jsonschema does not look at date-time at all.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        assert "date-time" in Draft202012Validator.FORMAT_CHECKER.checkers
    return Draft202012Validator(schema_of(kind), format_checker=Draft202012Validator.FORMAT_CHECKER)


def read(kind: MessageKind, content: Any) -> bool:
    """Whether our own reader takes it."""
    text = json.dumps(content).encode()
    if kind.inbound:
        events, problems = decode(kind.name, text)
        assert bool(events) is not bool(problems)
        return bool(events)
    try:
        kind.adapter.validate_json(text)
    except ValidationError:
        return False
    return True


class TestDrift:
    def test_the_committed_documents_are_those_of_the_models(self) -> None:
        assert export.drift(SHARED) == [], "run `streamer contract` and commit what it writes"

    def test_two_exports_are_equal(self) -> None:
        assert export.documents() == export.documents()

    def test_nothing_else_lies_in_shared(self) -> None:
        known = {*export.documents(), "README.md", "examples/region.toml"}
        present = {
            f.relative_to(SHARED).as_posix()
            for part in ("schema", "examples")
            for f in (SHARED / part).rglob("*")
            if f.is_file()
        }
        assert present <= known

    def test_check_names_what_differs_and_writing_mends_it(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        folder = tmp_path / "documents"
        assert cli.main(["contract", str(folder)]) == 0
        assert cli.main(["contract", str(folder), "--check"]) == 0
        capsys.readouterr()
        (folder / "schema/heard.schema.json").write_text("{}")
        (folder / "asyncapi.json").unlink()
        (folder / "examples/in/99-old.json").write_text("{}")
        assert cli.main(["contract", str(folder), "--check"]) == 1
        said = capsys.readouterr().err.splitlines()
        assert [Path(line.split(": ")[0]).name for line in said] == [
            "asyncapi.json",
            "99-old.json",
            "heard.schema.json",
        ]
        assert cli.main(["contract", str(folder)]) == 0
        assert cli.main(["contract", str(folder), "--check"]) == 0

    def test_line_ends_and_missing_folders_count(self, tmp_path: Path) -> None:
        shutil.copytree(SHARED, tmp_path / "copy")
        file = tmp_path / "copy/schema/route.schema.json"
        file.write_bytes(file.read_bytes().replace(b"\n", b"\r\n"))
        assert export.drift(tmp_path / "copy") == ["schema/route.schema.json"]
        assert export.drift(tmp_path / "nowhere") == sorted(export.documents())

    @pytest.mark.parametrize(
        "words", [["--check", "--start", "now"], ["--start", "noon"], ["--start", "2026-01-01"]]
    )
    def test_used_wrongly(self, words: list[str], tmp_path: Path) -> None:
        assert cli.main(["contract", str(tmp_path / "x"), *words]) == 2
        assert not (tmp_path / "x").exists()

    def test_a_folder_that_is_a_file(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("")
        assert cli.main(["contract", str(tmp_path / "file")]) == 1
        assert cli.main(["contract", str(tmp_path / "file"), "--check"]) == 1

    def test_start_moves_every_moment_and_nothing_else(self, tmp_path: Path) -> None:
        """Seen from the exercise's beginning, all is the same a day later."""
        assert cli.main(["contract", str(tmp_path), "--start", "2026-01-02T12:00:00Z"]) == 0
        moved = (tmp_path / "examples/in/05-heard-ridge-key-up.json").read_text()
        fixed = (SHARED / "examples/in/05-heard-ridge-key-up.json").read_text()
        old, new = json.loads(fixed), json.loads(moved)
        assert new.pop("boot") > old.pop("boot")
        assert new == json.loads(json.dumps(old).replace("2026-01-01T", "2026-01-02T"))


class TestSchemas:
    @pytest.mark.parametrize("kind", MESSAGES, ids=lambda kind: kind.name)
    def test_a_schema_of_2020_12(self, kind: MessageKind) -> None:
        schema = schema_of(kind)
        assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
        Draft202012Validator.check_schema(schema)

    @pytest.mark.parametrize("kind", MESSAGES, ids=lambda kind: kind.name)
    def test_objects_stay_open(self, kind: MessageKind) -> None:
        """A newer writer's fields are ignored, so no schema may forbid them."""
        assert "additionalProperties" not in json.dumps(schema_of(kind))
        assert "unevaluatedProperties" not in json.dumps(schema_of(kind))

    @pytest.mark.parametrize("message", ["heard", "route", "state"])
    def test_unknown_fields_are_taken(self, message: str) -> None:
        content = {**good(message), "of_tomorrow": {"deep": [None, 1.5]}}
        kind = kind_of(message)
        assert validator(kind).is_valid(content)
        assert read(kind, content)

    @pytest.mark.parametrize("message", ["heard", "route", "state"])
    def test_arrays_of_up_to_256(self, message: str) -> None:
        kind, content = kind_of(message), good(message)
        for count, fine in ((1, True), (256, True), (257, False)):
            payload = [content] * count
            assert validator(kind).is_valid(payload) is fine
            events, problems = decode(message, json.dumps(payload).encode())
            assert (len(events) == count, not problems) == (fine, fine)
        assert validator(kind).is_valid([])
        assert decode(message, b"[]") == ([], [])

    @pytest.mark.parametrize("kind", MESSAGES, ids=lambda kind: kind.name)
    @pytest.mark.parametrize("bad", [None, 1, "text", True, [[]], [None], [1]])
    def test_other_payloads_are_refused(self, kind: MessageKind, bad: Any) -> None:
        assert not validator(kind).is_valid(bad)
        assert not read(kind, bad)

    @pytest.mark.parametrize(("message", "place", "bad"), BAD, ids=bad_ids())
    def test_bad_instances_are_refused_by_both(self, message: str, place: str, bad: Any) -> None:
        kind = kind_of(message)
        assert validator(kind).is_valid(good(message))
        assert read(kind, good(message))
        content = spoilt(message, place, bad)
        assert not validator(kind).is_valid(content)
        assert not read(kind, content)

    def test_known_differences(self) -> None:
        """Where JSON Schema cannot say what the reader does; shared/README.md tells of both."""
        # JSON Schema 2020-12, 6.1.1 (validation): 1.0 is an integer. The reader wants 1.
        heard, kind = {**good("heard"), "seq": 3.0}, KINDS["heard"]
        assert validator(kind).is_valid(heard)
        assert not read(kind, heard)
        # RFC 3339, 5.8 allows this leap second; jsonschema's checker (rfc3339-validator) does not.
        heard = {**good("heard"), "sent_at": "1990-12-31T23:59:60Z"}
        assert not validator(kind).is_valid(heard)
        assert read(kind, heard)


class TestExamples:
    def test_every_message_has_one(self) -> None:
        assert {entry["message"] for entry in INDEX} == {kind.name for kind in MESSAGES}
        replies = [e.payload["kind"] for e in examples() if e.message == "reply"]
        assert set(replies) == {"ack", "time"}
        assert Reply is KINDS["reply"].type

    def test_alerts_are_shown_in_each_of_their_forms(self) -> None:
        """And where one names a maintenance or a held alert, it is there to be found."""
        alerts = [e.payload for e in examples() if e.message == "alert"]
        assert {a["state"] for a in alerts} == {"open", "acknowledged", "cleared"}
        (holding,) = [a for a in alerts if a["held"]]
        (held,) = holding["held"]
        assert held["subject"] in holding["affects"]
        (unsteady,) = [a for a in alerts if a["unsteady"]]
        assert unsteady["opened_times"] > 1
        assert unsteady["escalated"] == 1
        (foreseen,) = [a for a in alerts if a["maintenance"]]
        runs, ended = [e.payload for e in examples() if e.message == "maintenance"]
        assert foreseen["maintenance"] == runs["id"] == ended["id"]
        assert foreseen["acknowledged_by"] == runs["by"]
        assert runs["note"] in foreseen["note"]
        assert foreseen["subject"] == runs["subject"]
        assert runs["at"] < foreseen["opened_at"] < ended["ended_at"] < runs["until"]

    @pytest.mark.parametrize("entry", INDEX, ids=lambda entry: entry["file"])
    def test_valid_by_schema_and_by_reader(self, entry: dict[str, Any]) -> None:
        content = json.loads((SHARED / "examples" / entry["file"]).read_text())
        kind = KINDS[entry["message"]]
        assert list(validator(kind).iter_errors(content)) == []
        if kind.inbound:
            events, problems = decode(kind.name, json.dumps(content).encode())
            assert problems == []
            assert len(events) == (len(content) if isinstance(content, list) else 1)
        else:
            # Read and written again it is the same: nothing in it is unknown to the models.
            again = kind.adapter.validate_json(json.dumps(content))
            assert json.loads(kind.adapter.dump_json(again)) == content

    def test_inbound_numbers_rise_by_one_from_one(self) -> None:
        numbers: dict[str, list[int]] = {}
        for example in examples():
            if example.message in (Kind.HEARD, Kind.ROUTE):
                content = example.payload
                for event in content if isinstance(content, list) else [content]:
                    numbers.setdefault(event["boot"], []).append(event["seq"])
        assert len(numbers) == 2
        for said in numbers.values():
            assert said == list(range(1, len(said) + 1))

    def test_inbound_topics_and_repeaters_belong_together(self) -> None:
        view = load_region(SHARED / "examples/region.toml")
        for example in examples():
            if not example.inbound:
                continue
            where = parse_inbound(example.topic)
            assert where is not None
            assert (where.region, where.kind) == (view.name, example.message)
            assert where.gateway in view.gateways
            assert example.retain is (example.message == Kind.STATE)
            content = example.payload
            for event in content if isinstance(content, list) else [content]:
                said = [r["id"] for r in event.get("repeaters", [])] + [event.get("repeater")]
                for repeater in filter(None, said):
                    assert repeater.startswith(f"{where.gateway}/")
                    assert repeater in view.sites
                assert event.get("group", "SEARCH") in view.groups

    def test_a_copy_is_not_shared_with_the_table_of_bad_ones(self) -> None:
        before = copy.deepcopy(good("heard"))
        spoilt("heard", "position.lat", 99)
        assert good("heard") == before
