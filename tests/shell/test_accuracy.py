"""How right the settings say that instruments are: from the file to the dates, and to what `check` says."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.desk import Desk
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import log_reading, store_readings
from curewatch.desk.reports import planning
from curewatch.desk.reports.piece import piece_report
from curewatch.desk.snapshot.air import read_errors
from curewatch.records import Forecast, MilestoneKind
from curewatch.settings import Settings
from curewatch.store import Store
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.test_desk import HOUR, MINUTE, SHED, forecasts, order, reading, sensed
from tests.shell.test_desk import store as store

NOW = NOON + 4 * HOUR + 4 * MINUTE


def studio(sensor: dict[str, float] | None = None, typed: dict[str, float] | None = None) -> Settings:
    post: dict[str, Any] = {"id": "post", "room": SHED, "topic": "shed/post"}
    return Settings.model_validate(
        {
            "zone": "UTC",
            "forecast": {"members": 64},
            "sensors": (post | ({} if sensor is None else {"accuracy": sensor}),),
            **({} if typed is None else {"typed": {"accuracy": typed}}),
        }
    )


def damp_shed(store: Store) -> None:
    """A piece in damp air, where a few per cent decide when it is ready."""
    desk = Desk(store, studio())
    store_readings(desk, sensed(NOON - HOUR, NOW, rh=77.0))
    log_pour(desk, order(), NOON)


def made_by(store: Store, settings: Settings, now: Any = NOW) -> Forecast:
    refresh(Desk(store, settings), now)
    return forecasts(store)[1]


def width(forecast: Forecast) -> float:
    """How many times as far off *safe* is as *earliest*, of touch-dry."""
    touch = forecast.milestone(MilestoneKind.TOUCH_DRY)
    assert touch is not None
    assert touch.early_at is not None
    assert touch.safe_at is not None
    return (touch.safe_at - NOON) / (touch.early_at - NOON)


def test_a_calibrated_sensor_makes_every_date_again_once(store: Store) -> None:
    damp_shed(store)
    usual = made_by(store, studio())
    good = made_by(store, studio({"temperature": 0.2, "humidity": 0.8}))
    film = piece_report(Desk(store, studio()), "Heron", NOW).drying.pouring
    assert (film.air_temp_sd, film.air_rh_sd) == (0.2, 0.008)
    poor = made_by(store, studio({"humidity": 8}))
    assert len({one.fingerprint for one in (usual, good, poor)}) == 3
    assert width(poor) > 1.2 * width(usual)
    again = made_by(store, studio({"humidity": 8}))
    assert (again.fingerprint, again.made_at) == (poor.fingerprint, poor.made_at), "and then it stands"
    back = made_by(store, studio())
    assert back.milestones == usual.milestones


def test_a_second_instrument_narrows_the_dates_and_a_plan_goes_by_it_too(store: Store) -> None:
    """A calibrated hygrometer is held beside the sensor and says 5 % less: the sensor is taken to say too much."""
    damp_shed(store)
    settings = studio(typed={"temperature": 0.1, "humidity": 0.8})
    alone = made_by(store, settings)
    for hour in (1, 2, 3):
        log_reading(Desk(store, settings), reading(NOON + hour * HOUR, 20.0, 72.0))
    beside = made_by(store, settings, NOW + MINUTE)
    with store.read() as tx:
        error = read_errors(tx)[SHED]
    assert -4.5 < error.off[1] < -2.0
    assert error.sd[1] < 2.0
    (soon, later) = (one.milestone(MilestoneKind.HANDLE) for one in (beside, alone))
    assert soon is not None
    assert later is not None
    assert soon.worth_checking_at is not None
    assert later.worth_checking_at is not None
    assert soon.worth_checking_at < later.worth_checking_at, "the air is drier than was read"
    desk = Desk(store, settings)
    assert piece_report(desk, "Heron", NOW).drying.pouring.air_rh_off == pytest.approx(error.off[1] / 100)
    plan = planning.plan(desk, order("Reed"), NOW + 20 * 24 * HOUR, 1, MilestoneKind.HANDLE, NOW)
    assert plan.latest[0].even_at is not None


def test_the_check_says_how_right_each_is_taken_to_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "studio.toml"
    config.write_text(
        'zone = "UTC"\n[typed.accuracy]\nhumidity = 3\n'
        '[[sensors]]\nid = "post"\nroom = "Boat shed"\ntopic = "shed/post"\naccuracy = {humidity = 0.8}\n'
    )
    path = tmp_path / "studio.sqlite"
    monkeypatch.setenv("CUREWATCH_CONFIG", str(config))
    monkeypatch.setenv("CUREWATCH_STORE", str(path))
    with Store.open(path) as store:
        damp_shed(store)
    main(["check"])
    said = " ".join(capsys.readouterr().out.split())
    assert "in Boat shed; taken as right to ±0.3 °C and ±0.8 %" in said
    assert "what people read off and type is taken as right to ±0.3 °C and ±3 %" in said
    config.write_text(config.read_text().replace("0.8", "80"))
    assert main(["check"]) == 2
    out, err = capsys.readouterr()
    said = " ".join((out + err).split())
    assert "sensors[1].accuracy.humidity: got 80, expected a number of % points between 0.1 and 20" in said
