"""What a person answers before a load, from keys or a file; `--yes` never answers it."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from verifyrig.bench.find_profile import find_profile
from verifyrig.bench.folder import Bench
from verifyrig.core.errors import ExitCode, SafetyRefusal, UsageError
from verifyrig.core.profile import Profile
from verifyrig.core.reason import reason
from verifyrig.dialogs.attestation import answers_for
from verifyrig.jobs.cautions import NOTES, notes_for
from verifyrig.jobs.model import Intake, Machine
from verifyrig.jobs.safety import (
    QUESTIONS,
    Attestation,
    consent_refusals,
    dangers,
    load_refusals,
    longest_until_load_ends_s,
    missing_answers,
    parse_attestation,
    questions_for,
)
from verifyrig.jobs.store import new_job
from verifyrig.jobs.vocabulary import MACHINE_KINDS
from verifyrig.plan.text import parse_profile

NOW = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
NOWHERE = Bench(root=Path("/nonexistent"))


@pytest.fixture(scope="module")
def desktop() -> Profile:
    return find_profile("desktop-liquid", NOWHERE)


@pytest.fixture(scope="module")
def gentle() -> Profile:
    return find_profile("pulses-only", NOWHERE)


def safe_answers() -> dict[str, str]:
    return {question.key: question.safe for question in QUESTIONS}


def attested(**changed: str) -> Attestation:
    return Attestation(
        by="N. Bench", answers=safe_answers() | changed, present="N. Bench", until=NOW + timedelta(hours=9), time=NOW
    )


def keys_of(kind: str | None, profile: Profile) -> set[str]:
    return {question.key for question in questions_for(kind, profile)}


def test_quarter_share_pulses_need_nobodys_answer(gentle: Profile) -> None:
    assert questions_for("laptop", gentle) == () and missing_answers((), None) == []
    assert load_refusals(None, gentle, None, NOW) == []


def test_each_kind_of_machine_is_asked_what_it_can_have(desktop: Profile) -> None:
    assert keys_of("desktop-liquid", desktop) == {"leak", "burnt"}
    assert keys_of("laptop", desktop) == {"pack", "burnt", "ground"}
    assert keys_of("desktop-air", desktop) == {"burnt"}
    assert keys_of(None, desktop) == keys_of("other", desktop) == {"leak", "pack", "burnt", "ground"}


@pytest.mark.parametrize("kind", [*MACHINE_KINDS, None])
def test_whatever_stays_unanswered_forbids_the_load(kind: str | None, desktop: Profile) -> None:
    assert load_refusals(kind, desktop, attested(), NOW) == []
    assert load_refusals(kind, desktop, None, NOW) != []
    for question in questions_for(kind, desktop):
        answers = safe_answers()
        del answers[question.key]
        part = Attestation(by="N.", answers=answers, present="N.", until=NOW + timedelta(hours=9), time=NOW)
        assert load_refusals(kind, desktop, part, NOW) == [reason("not-answered", question=(question.asked,))]
    nobody = Attestation(by="N.", answers=safe_answers(), time=NOW)
    assert load_refusals(kind, desktop, nobody, NOW) == [reason("presence-not-answered")]


@pytest.mark.parametrize("question", QUESTIONS, ids=lambda question: question.key)
def test_an_answer_that_forbids_the_load_is_a_danger(question: object) -> None:
    key, safe = question.key, question.safe  # type: ignore[attr-defined]
    assert dangers(attested()) == []
    assert dangers(attested(**{key: "yes" if safe == "no" else "no"})) == [question.danger]  # type: ignore[attr-defined]


def test_nobody_leaves_before_the_load_can_be_over(desktop: Profile) -> None:
    # Idle 20 min, two pulses of 30 s, load 30 min, cooldown 10 min, five steps of 30 s: as the profile says.
    assert longest_until_load_ends_s(desktop) == 1200 + 60 + 1800 + 600 + 150
    for minutes, refused in ((63, True), (64, False)):
        early = Attestation(
            by="N.", answers=safe_answers(), present="N.", until=NOW + timedelta(minutes=minutes), time=NOW
        )
        assert bool(load_refusals("desktop-air", desktop, early, NOW)) == refused


def test_a_customers_no_forbids_a_heavy_load_and_both_together_need_a_yes(desktop: Profile, gentle: Profile) -> None:
    assert [why.code for why in consent_refusals({"heavy-load": "no"}, desktop)] == ["not-agreed"]
    assert consent_refusals({"heavy-load": "no"}, gentle) == []
    assert consent_refusals({"heavy-load": "yes"}, desktop) == []
    text = desktop.text.replace('"linear-algebra", pattern = "climb"', '"gpu-and-processor"')
    both = parse_profile(text.replace("stale_after_s", "gpu_temp_c = { max = 90.0 }\nstale_after_s", 1), "p")
    assert len(consent_refusals({"heavy-load": "yes"}, both)) == 1
    assert consent_refusals({"heavy-load": "yes", "graphics-and-processor": "yes"}, both) == []


def test_consent_that_was_not_asked_for_is_none(desktop: Profile, gentle: Profile) -> None:
    for consent in ({}, {"heavy-load": "not-asked"}):
        (why,) = consent_refusals(consent, desktop)
        assert (
            str(why).startswith("the customer was not asked: May we run a heavy load")
            and consent_refusals(consent, gentle) == []
        )
    on_drive = desktop.text.replace('"linear-algebra", pattern = "climb"', '"storage", pattern = "steady"')
    drive = parse_profile(on_drive.replace("[trip]", "[trip]\ndrive_temp_c = { max = 70.0 }"), "p")
    assert "write to the customer's drive" in str(consent_refusals({"heavy-load": "yes"}, drive)[0])


ATTEST = """
by = "N. Bench"
present = "N. Bench"
until = 2026-03-14T20:00:00Z
leak = "no"
pack = "no"
burnt = "no"
ground = "yes"
"""


def test_a_file_of_answers_is_read(desktop: Profile) -> None:
    attestation = parse_attestation(ATTEST, "attest.toml", NOW)
    assert load_refusals(None, desktop, attestation, NOW) == []
    fact = attestation.as_fact()
    assert (fact["by"], fact["how"], fact["answers"]["leak"]) == ("N. Bench", "attest.toml", "no")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('by = "N. Bench"', "", "by is missing"),
        ('leak = "no"', "leak = false", "yes, no"),
        ('leak = "no"', 'leaks = "no"', "leak?"),
        ("2026-03-14T20:00:00Z", '"20:00"', "date with a time"),
        ("2026-03-14T20:00:00Z", "2026-03-13T20:00:00Z", "which is past"),
        ("by", "by = ", "TOML"),
    ],
)
def test_a_file_that_answers_wrongly_is_refused(old: str, new: str, words: str) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        parse_attestation(ATTEST.replace(old, new, 1), "attest.toml", NOW)
    assert caught.value.where.startswith("attest.toml")


def far_future(text: str) -> str:
    return text.replace("2026-03-14T20", f"{datetime.now(UTC).year + 1}-01-01T20")


def test_a_leak_refuses_every_load(desktop: Profile, tmp_path: Path) -> None:
    bench = Bench(root=tmp_path)
    job = new_job(bench, Intake(machine=Machine(kind="desktop-liquid")), now=NOW)
    file = tmp_path / "attest.toml"
    file.write_text(far_future(ATTEST).replace('leak = "no"', 'leak = "yes"'), encoding="utf-8")
    with pytest.raises(SafetyRefusal, match="coolant leaks") as caught:
        answers_for(bench, desktop, job.job_id, file)
    assert caught.value.exit_code is ExitCode.TRIPPED


def test_without_a_terminal_and_a_file_nobody_answers(
    desktop: Profile, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    found = answers_for(Bench(root=tmp_path), desktop, None, None)
    assert found.attestation is None and len(found.refusals) == 5


def test_the_jobs_consent_is_heeded(desktop: Profile, tmp_path: Path) -> None:
    bench = Bench(root=tmp_path)
    intake = Intake(machine=Machine(kind="desktop-air"), consent={"heavy-load": "no"})
    job = new_job(bench, intake, now=NOW)
    file = tmp_path / "attest.toml"
    file.write_text(far_future(ATTEST), encoding="utf-8")
    found = answers_for(bench, desktop, job.job_id, file)
    assert len(found.refusals) == 1 and "has not agreed: May we run a heavy load" in str(found.refusals[0])
    assert found.attestation is not None and found.attestation.by == "N. Bench"


@pytest.mark.parametrize("content", [None, b"\xff\xfe", b"a" * 200_000])
def test_a_file_that_cannot_be_used_is_named(desktop: Profile, tmp_path: Path, content: bytes | None) -> None:
    file = tmp_path / "attest.toml"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises(UsageError, match=r"attest\.toml"):
        answers_for(Bench(root=tmp_path), desktop, None, file)


def test_notes_fit_the_machine_and_the_run(desktop: Profile, gentle: Profile) -> None:
    def titles(profile: Profile | None, kind: str | None) -> list[str]:
        return [note.title for note in notes_for(profile, kind)]

    assert titles(None, "laptop")[:2] == ["Mains", "Charged capacitors"]
    assert "Lithium pack" in titles(gentle, "laptop") and "Coolant" not in titles(gentle, "laptop")
    assert "Coolant" in titles(gentle, "desktop-liquid") and "Lithium pack" not in titles(gentle, "desktop-liquid")
    assert {"Coolant", "Lithium pack"} <= set(titles(gentle, None))
    assert "Heavy load" in titles(desktop, None) and "Heavy load" not in titles(gentle, None)
    assert "Long runs" in titles(find_profile("soak", NOWHERE), None) and "Long runs" not in titles(desktop, None)


def test_the_burn_figures_are_those_of_the_reference(shared_dir: Path) -> None:
    # ISO 13732-1:2006, Table 1 and Figures 2 to 6, from memory as the reference file marks it.
    data = tomllib.loads((shared_dir / "reference" / "touch_and_safety.toml").read_text(encoding="utf-8"))
    text = NOTES["hot"].text
    low, high = data["burn_threshold_short"]["bare_metal"]["s1"]
    assert f"{low} to {high} °C within one second" in text
    assert f"{data['burn_threshold_short']['bare_metal']['s10'][0]} °C within ten" in text
    assert f"{data['burn_threshold_long']['one_minute']['metal']} °C within a minute" in text
    assert f"above {data['burn_threshold_long']['ten_minutes']['all_materials']} °C do not hold" in text
    assert "memory" in NOTES["hot"].source
    # Energy of a capacitor, E = C V²/2: 470 µF at 325 V.
    assert f"{0.5 * 470e-6 * 325**2:.0f} J" in NOTES["capacitors"].text
    assert f"{data['capacitor_energy']['lethal_J']:.0f} J can kill" in NOTES["capacitors"].text
