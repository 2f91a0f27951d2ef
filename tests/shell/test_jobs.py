"""What is done by the clock: planned once each in the scheduler, rung on time, and told by `curewatch check`."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from apscheduler.schedulers.base import BaseScheduler

from curewatch.cli import main
from curewatch.clock import SystemClock
from curewatch.daemon import Daemon
from curewatch.daemon.scheduler import Scheduler
from curewatch.settings.loading import load_settings
from curewatch.store import Store, backups_of
from tests.shell.fault_parts import hasten, running
from tests.shell.parts import Receiver, wait_for

IDS = {"look", "morning", "telling", "backup", "heartbeat"}


def test_what_is_done_by_the_clock_is_planned_done_and_told_by_check(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """One path: nobody watches; a daemon does; it ended. The same store, and another zone than the machine's."""
    hasten(monkeypatch)
    schedulers: list[BaseScheduler] = []
    real = BaseScheduler.start
    monkeypatch.setattr(BaseScheduler, "start", lambda one, **kept: (schedulers.append(one), real(one, **kept)))
    monkeypatch.setattr("curewatch.daemon.backups.SETTLED_AFTER_S", 1.5)
    monkeypatch.setattr("curewatch.daemon.jobs.PLAN_EVERY_S", 0.0)
    store = tmp_path / "studio.sqlite"
    Store.open(store).close()

    def jobs(*more: str) -> dict[str, Any]:
        main(["--config", str(config), "--store", str(store), "check", *more])
        said = capsys.readouterr().out
        return {one["id"]: one for one in json.loads(said)["jobs"]} if more else {"said": said}

    def at(job: dict[str, Any], which: str = "next_at") -> datetime:
        return datetime.fromisoformat(job[which])

    with Receiver() as outside:
        config = tmp_path / "studio.toml"
        config.write_text(
            f'zone = "Asia/Kathmandu"\nweb.enabled = false\nheartbeat = {{url = "{outside.url}", method = "POST"}}\n'
            'mail = {host = "127.0.0.1", sender = "shed@shed.example"}\n'
            '[[people]]\nname = "Ada"\nmail = "ada@shed.example"\nmorning_hour = 7\n'
        )
        before, now = jobs("--json"), SystemClock().now()
        assert set(before) == IDS
        assert {one["last_at"] for one in before.values()} == {None}
        assert {id for id, one in before.items() if one["next_at"]} == {"morning"}, "the rest is done once one runs"
        morning = at(before["morning"])
        assert timedelta() < morning - now <= timedelta(days=1)
        assert (morning.hour, morning.utcoffset()) == (7, timedelta(hours=5, minutes=45))
        assert jobs()["said"].count("once a daemon runs") == 4

        with running(Daemon(load_settings(config), str(store), SystemClock())):
            (made,) = wait_for(lambda: backups_of(store), 20, "the backup, rung by the scheduler")
            wait_for(lambda: jobs("--json")["heartbeat"]["last_at"], 20, "the call outside, noted")
            tomorrow = made.at + timedelta(hours=23)
            wait_for(lambda: at(jobs("--json")["backup"]) > tomorrow, 20, "the next backup, planned")
            (scheduler,) = schedulers
            planned = {job.id: job for job in scheduler.get_jobs()}
            during = jobs("--json")
        assert planned.keys() == IDS - {"telling"}, "nothing waits to be sent"
        for id, job in planned.items():
            assert (job.misfire_grace_time, job.coalesce, job.max_instances) == (None, True, 1)
            assert job.next_run_time.utcoffset() == timedelta()
            assert abs(at(during[id]) - job.next_run_time) < timedelta(seconds=5), id
        assert at(during["backup"], "last_at") == made.at
        an_hour_on = at(during["look"], "last_at") + timedelta(hours=1)
        assert at(during["look"]) == min(an_hour_on, morning), "an hour on, or when the day begins"

    after = jobs("--json")
    assert {id for id, one in after.items() if one["last_at"]} == {"look", "backup", "heartbeat"}
    assert {id for id, one in after.items() if one["next_at"]} == {"morning", "backup"}
    said = jobs()["said"]
    assert all(f"\n{id} " in said for id in IDS)
    assert "nothing waits" not in said.split("backup")[-1]


def test_a_job_planned_anew_rings_once_and_one_forgotten_never(monkeypatch: pytest.MonkeyPatch) -> None:
    rung: list[str] = []
    scheduler, now = Scheduler(), datetime.now(UTC)
    scheduler.start()
    for _ in range(3):
        scheduler.plan("look", now - timedelta(days=1), lambda: rung.append("look"))
        scheduler.plan("backup", now + timedelta(seconds=0.4), lambda: rung.append("backup"))
    scheduler.plan("heartbeat", now + timedelta(seconds=0.3), lambda: rung.append("heartbeat"))
    scheduler.forget("heartbeat")
    scheduler.forget("heartbeat")
    wait_for(lambda: "backup" in rung, 5, "the bell")
    scheduler.stop()
    assert rung.count("backup") == 1
    assert "heartbeat" not in rung
    assert set(rung) == {"look", "backup"}, "a date that has passed is rung, however long ago"
