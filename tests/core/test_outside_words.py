"""Outside words are understood or refused in words, whatever they are; and what the fuzzers once found."""

from __future__ import annotations

import random
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.intake.files.logger_csv import Layout, LoggerCsv
from curewatch.intake.mqtt.message import read_payload
from curewatch.records.errors import InputError
from curewatch.settings import SensorSettings, SettingsError
from curewatch.settings.materials import load_materials
from tests.bench.bench_fuzz import mutated
from tests.core.outside_words import NOW, PARSERS, flawed, parse_settings

MUTANTS = 120
"""Of each parser's seeds, a run; the campaign of tests/bench makes some forty thousand."""


@pytest.mark.parametrize("name", PARSERS)
def test_the_seeds_and_what_lies_near_them_do_nothing_undocumented(name: str) -> None:
    chance = random.Random(f"near {name}")
    seeds = PARSERS[name].seeds
    assert flawed(name, [*seeds, *(mutated(chance.choice(seeds), chance) for _ in range(MUTANTS))]) == []


@pytest.mark.parametrize("name", PARSERS)
def test_a_seed_of_every_parser_is_understood(name: str) -> None:
    """Else the others would be noise that is refused at the door."""
    assert any(PARSERS[name].try_(seed) for seed in PARSERS[name].seeds)


@settings(max_examples=400, deadline=None)
@given(st.sampled_from(sorted(PARSERS)), st.binary(max_size=200) | st.text(max_size=120).map(str.encode))
def test_bytes_of_any_kind_do_nothing_undocumented(name: str, data: bytes) -> None:
    assert flawed(name, [data]) == []


# --- what was found ---


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(b"days = " + b"9" * 5000, id="a number of five thousand digits"),
        pytest.param(b"days = 0x1f" + b"9" * 5000, id="the same in hexadecimal"),
        pytest.param(b".".join([b"a"] * 3000) + b" = 1", id="a key of three thousand parts"),
        pytest.param(b"a = " + b"[" * 20_000, id="a list in a list in a list"),
    ],
)
def test_settings_beyond_what_python_reads_are_refused_in_a_line(text: bytes, tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as refused:
        parse_settings(text, Path("curewatch.toml"))
    (problem,) = refused.value.problems
    assert problem.startswith("curewatch.toml: ")
    assert len(problem) < 300
    (tmp_path / "materials.toml").write_bytes(text)
    with pytest.raises(SettingsError):
        load_materials(tmp_path / "curewatch.toml")


def test_of_thousands_of_problems_the_first_twenty_are_told_and_the_rest_counted() -> None:
    with pytest.raises(SettingsError) as refused:
        parse_settings(b"[[sensors]]\n" * 1000, Path("curewatch.toml"))
    assert len(refused.value.problems) == 21
    assert refused.value.problems[-1] == "curewatch.toml: and 2980 more"


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00+05:00", "0001-01-01T00:00:00", "9999-12-31T23:59:59-05:00"])
def test_a_logger_s_time_at_the_calendar_s_ends_is_refused(at: str) -> None:
    rows = f"time_utc,temp_c,rh_pct\n{at},21.5,48\n".encode()
    with pytest.raises(InputError, match="say a time between 1970 and 2199"):
        LoggerCsv(BytesIO(rows), Layout(), name="log.csv", room="R", source="s", now=NOW)


def test_a_column_s_number_of_thousands_of_digits_is_no_column() -> None:
    layout = Layout(time="000001" + "0" * 5000)
    with pytest.raises(InputError) as refused:
        LoggerCsv(BytesIO(b"a,temp_c,rh_pct\n1,2,3\n"), layout, name="log.csv", room="R", source="s", now=NOW)
    assert len(str(refused.value)) < 400


def test_a_topic_of_sixty_kilobytes_is_named_in_short() -> None:
    sensor = SensorSettings(id="s", room="R", topic="#", reads="temperature")
    with pytest.raises(InputError) as refused:
        read_payload(sensor, "t" * 60_000, b"warm", retained=False, received_at=NOW)
    assert len(str(refused.value)) < 300
    taken = read_payload(sensor, "t" * 60_000, b"21", retained=False, received_at=NOW)
    assert taken.source.endswith("t" * 60_000)  # its name is its own matter
