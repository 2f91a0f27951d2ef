"""The settings file: the example is true, every mistake is named, and no secret gets out."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import tzlocal
from pydantic import BaseModel, ValidationError

from curewatch.records import MilestoneKind
from curewatch.settings import (
    BrokerSettings,
    SensorSettings,
    Settings,
    SettingsError,
    WebhookSettings,
    config_path,
    load_settings,
    store_location,
)
from curewatch.settings.errors import _model_in

EXAMPLE = Path(__file__).parents[2] / "config" / "curewatch.toml"
SECRET = "whsec_" + "c2hlZC1zaGVkLXNoZWQtc2hlZC1zaGVk"


def load(folder: Path, text: str) -> Settings:
    file = folder / "curewatch.toml"
    file.write_text(text, encoding="utf-8")
    return load_settings(file)


def problems(folder: Path, text: str) -> tuple[str, ...]:
    with pytest.raises(SettingsError) as caught:
        load(folder, text)
    assert str(caught.value) == "\n".join(caught.value.problems)
    return caught.value.problems


def keys_of(model: type[BaseModel]) -> Iterator[tuple[str, object]]:
    for key, field in model.model_fields.items():
        inner = _model_in(field.annotation)
        if inner is None:
            yield key, field.default
        else:
            yield from keys_of(inner)


def test_the_example_loads_and_says_what_it_seems_to_say() -> None:
    settings = load_settings(EXAMPLE)
    assert settings.tz.key == "Europe/Lisbon"
    assert settings.broker is not None
    assert settings.broker.password_file == EXAMPLE.parent / "broker-password"
    assert [(sensor.id, sensor.reads) for sensor in settings.sensors] == [
        ("loft-north", "json"),
        ("slipway-post", "temperature"),
        ("slipway-post", "humidity"),
        ("sail-locker", "json"),
    ]
    assert [settings.air_in(room) for room in ("Slipway", "Loft", "Sail locker")] == [0.3, 0.15, 0.1]


def test_the_example_explains_every_key() -> None:
    explained = set(re.findall(r"^(?:# )?(\w+) = .*# .{10,}", EXAMPLE.read_text(encoding="utf-8"), re.MULTILINE))
    elsewhere = {"zone", "host", "air", "milestones"}  # in the lines above them
    assert {key for key, _ in keys_of(Settings)} - explained - elsewhere == set()


def test_the_example_tells_the_true_defaults() -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    told = re.findall(r"^(?:# )?(\w+) = .*#.*(?:\n +#.*)*?Left out: \"?([\w./]+)", text, re.MULTILINE)
    real = {key: str(default).lower() for key, default in keys_of(Settings)}
    numbers = {key: value.rstrip(".").lower() for key, value in told if real[key] not in ("none", "pydanticundefined")}
    assert len(numbers) >= 20
    assert {key: real[key].removesuffix(".0") for key in numbers} == numbers | {"unit": "c"}


def test_without_a_file_everything_has_its_default() -> None:
    settings = load_settings(None)
    assert (settings.broker, settings.webhook, settings.sensors) == (None, None, ())
    assert settings.alarms.cold_mfft_c == 10
    assert settings.notices.milestones == (
        MilestoneKind.TOUCH_DRY,
        MilestoneKind.HANDLE,
        MilestoneKind.VARNISH_READY,
    )
    assert settings.air_in("anywhere") == 0.1


def test_a_file_from_before_the_first_milestone_was_called_set_is_understood(tmp_path: Path) -> None:
    found = load(tmp_path, '[notices]\nmilestones = ["packed", "handle"]\n').notices.milestones
    assert found == (MilestoneKind.SET, MilestoneKind.HANDLE)


def test_an_empty_file_is_the_same_as_none(tmp_path: Path) -> None:
    assert load(tmp_path, "") == load_settings(None)


SENSOR = '[[sensors]]\nid = "a"\nroom = "Loft"\ntopic = "shed/a"\n'
MAIL = '[mail]\nhost = "m"\nsender = "shed@x"\n'
PERSON = '[[people]]\nname = "Ada"\n'

BAD = [
    ('zone = "Europe/Lisbonn"', "zone: got 'Europe/Lisbonn', expected the name of an IANA time zone, did you mean"),
    ('zone = "../../etc/passwd"', "zone: got '../../etc/passwd', expected the name of an IANA time zone"),
    ('zone = ""', "zone: got '', expected the name of an IANA time zone"),
    ("zone = 1", "zone: got 1, expected an IANA time zone"),
    ("zone = 2026-05-01", "curewatch.toml: zone: got '2026-05-01', expected the name of"),
    ("broker = 3", "broker: got 3, expected a table [broker]"),
    ("[broker]", "broker.host: missing, expected the broker's host name or address"),
    ('[broker]\nhost = ""', "broker.host: got '', expected the broker's host name"),
    ('[broker]\nhost = "b"\nport = "1883"', "broker.port: got '1883', expected a whole number between 1 and 65535"),
    ('[broker]\nhost = "b"\nstart = "town"', "broker.start: got 'town', expected 'here' or 'house'"),
    ('[broker]\nhost = "b"\nstart = "here"', "user and password_file, and no tls, where start is set"),
    ('[broker]\nhost = "b"\nport = 0', "broker.port: got 0, expected"),
    ('[broker]\nhost = "b"\nport = true', "broker.port: got true, expected"),
    ('[broker]\nhost = "b"\ntls = 1', "broker.tls: got 1, expected true or false"),
    ('[broker]\nhost = "b"\nprotocol = 5', "broker.protocol: got 5, expected '3.1.1' or '5'"),
    ('[broker]\nhost = "b"\nca_file = "ca.pem"', "broker: expected tls = true where ca_file is set"),
    ('[broker]\nhost = "b"\npassword_file = "p"', "broker: expected a user where password_file is set"),
    (
        '[broker]\nhost = "b"\npassword_file = "~nosuchperson/p"',
        "broker.password_file: got '~nosuchperson/p', expected",
    ),
    (SENSOR.replace("shed/a", "shed/#/a"), "sensors[1].topic: got 'shed/#/a', expected an MQTT topic filter"),
    (SENSOR.replace("shed/a", "shed/a#"), "'#' may only be its last level"),
    (SENSOR.replace("shed/a", "shed/a+"), "'+' must be a whole level"),
    (SENSOR.replace("shed/a", ""), "sensors[1].topic: got '', expected an MQTT topic filter"),
    (SENSOR.replace("shed/a", "shed\\u0000"), r"sensors[1].topic: got 'shed\x00', expected"),
    (SENSOR.replace("shed/a", "$share/g/a"), "shared subscription"),
    (SENSOR.replace('"a"', '"typed"'), "sensors[1]: expected another id than 'typed'"),
    (SENSOR.replace('"a"', '"a/b"'), "sensors[1].id: got 'a/b', expected 1 to 80 characters on one line, without '/'"),
    (SENSOR.replace("Loft", ""), "sensors[1].room: got '', expected the room's name"),
    (SENSOR + 'temperature = "temp"', "sensors[1].temperature: got 'temp', expected a JSON pointer (RFC 6901)"),
    (SENSOR + 'time = "/a~2"', "sensors[1].time: got '/a~2', expected a JSON pointer"),
    (SENSOR + 'unit = "R"', "sensors[1].unit: got 'R', expected 'C', 'F' or 'K'"),
    (SENSOR + "silent_after_min = nan", "sensors[1].silent_after_min: got nan, expected a number of minutes"),
    (SENSOR + "temperature_offset = inf", "sensors[1].temperature_offset: got inf, expected a number of °C"),
    (SENSOR + "temperature_offset = 21", "between -20 and 20"),
    (SENSOR + 'reads = "humidity"\nbattery = "/b"', "sensors[1]: expected no 'battery' where reads = 'humidity'"),
    (SENSOR + "accuracy = 0.8", "sensors[1].accuracy: got 0.8, expected a table with temperature and humidity"),
    (SENSOR + "accuracy = {humidity = 0}", "sensors[1].accuracy.humidity: got 0, expected a number of % points"),
    (SENSOR + "accuracy = {temperature = 50}", "sensors[1].accuracy.temperature: got 50, expected a number of °C"),
    (SENSOR + "accuracy = {humidity = nan}", "sensors[1].accuracy.humidity: got nan, expected a number of % points"),
    ("[typed.accuracy]\nhumidity = '2'", "typed.accuracy.humidity: got '2', expected a number of % points between 0.1"),
    (SENSOR + SENSOR, "expected another id for sensors[2] than 'a'"),
    ('[rooms."Loft"]\nair = "gale"', "rooms.Loft.air: got 'gale', expected 'still', 'draughty', 'fan', or a number"),
    ('[rooms."Loft"]\nair = 0.04', "rooms.Loft.air: got 0.04, expected"),
    ('[rooms."a\\nb"]\nair = 1', r"rooms.'a\nb'"),
    (f'[rooms."{"a" * 99}"]\nair = 1', "at most 80 characters"),
    ("[alarms]\nfrost_c = 11", "alarms.frost_c: got 11, expected a number of °C between -5 and 10"),
    ("[alarms]\nfrost_c = 10\ncold_mfft_c = 9", "alarms: expected frost_c (10) to lie below cold_mfft_c (9)"),
    ("[alarms]\nfast_rh_pct = 60\ndamp_rh_pct = 60", "alarms: expected fast_rh_pct (60) to lie more than"),
    ("[alarms]\ndamp_rate_fraction = 25", "alarms.damp_rate_fraction: got 25, expected a fraction above 0 and below 1"),
    ('[heartbeat]\nurl = "ftp://x"', "heartbeat.url: got 'ftp://x', expected an http:// or https:// address"),
    ("[heartbeat]\nevery_s = 300", "heartbeat: expected exactly one of url, url_file and url_env"),
    ('[heartbeat]\nurl = "http://x"\nevery_s = 1', "heartbeat.every_s: got 1, expected a number of seconds between 5"),
    ('[heartbeat]\nurl = "http://x"\nmethod = "PUT"', "heartbeat.method: got 'PUT', expected 'GET' or 'POST'"),
    ("[readings]\nkeep_days = 6", "readings.keep_days: got 6, expected a whole number of days between 7 and 36500"),
    ("[backup]\nkeep = 0", "backup.keep: got 0, expected a whole number between 1 and 1000"),
    ("[backup]\nevery_h = -1", "backup.every_h: got -1, expected a number of hours between 0 (never) and 720"),
    ("[backup]\nfolder = 3", "backup.folder: got 3, expected the path of a folder"),
    ('[webhook]\nurl = "ftp://x"', "webhook.url: got 'ftp://x', expected an http:// or https:// address"),
    ('[webhook]\nurl = "https://"', "webhook.url: got 'https://', expected"),
    ('[webhook]\nurl = "http://x:99999/"', "webhook.url: got 'http://x:99999/', expected"),
    ('[webhook]\nurl = "http://[x"', "webhook.url: got 'http://[x', expected"),
    ('[webhook]\nurl = "http://x"\nsecret_file = "s"\nsecret_env = "S"', "webhook: expected secret_file or secret_env"),
    ('[webhook]\nurl = "http://x"\nsecret_env = "A B"', "webhook.secret_env: got 'A B', expected the name of an"),
    ('[mail]\nhost = "m"', "mail.sender: missing, expected a mail address"),
    (MAIL.replace("shed@", "shed at "), "mail.sender: got 'shed at x', expected a mail address, such as"),
    (MAIL + 'user = "u"', "mail: expected user and password_file (or password_env) together"),
    (MAIL + 'security = "none"\nuser = "u"\npassword_env = "P"', "it must not travel in the open"),
    (MAIL + 'security = "ssl"', "mail.security: got 'ssl', expected 'starttls', 'tls' or 'none'"),
    ("[publish]", "the file: expected a table [broker] where [publish] is set"),
    ('[publish]\nroot = "a/#"', "publish.root: got 'a/#', expected an MQTT topic without wildcards"),
    ('[broker]\nhost = "b"\n[publish]\nroot = "shed/a"\n' + SENSOR.replace("shed/a", "shed/#"), "publish.root outside"),
    ("[services]", "services: expected addresses_file or addresses_env, and not both"),
    (PERSON, "people[1]: expected somewhere to tell this person"),
    (PERSON + 'mail = "a@x"', "expected a table [mail] where people[1] has mail"),
    (MAIL + (PERSON + 'mail = "a@x"\n') * 2, "another name for people[2] than 'Ada': it is taken"),
    (PERSON + 'quiet = "22-"\n', "people[1].quiet: got '22-', expected two times of day that differ"),
    (PERSON + 'quiet = "22:00-22:00"\n', "expected two times of day that differ, such as '22:00-07:00'"),
    (PERSON + 'may_wake = ["fire"]', "people[1].may_wake[1]: got 'fire', expected an array of 'cold', 'frost'"),
    (PERSON + 'kinds = ["news"]', "people[1].kinds[1]: got 'news', expected an array of 'milestone'"),
    (PERSON + "clock = 13", "people[1].clock: got 13, expected 24 or 12"),
    ('[reader]\ndates = "US"', "reader.dates: got 'US', expected 'day', 'month' or 'year'"),
    ('[reader]\nlanguage = "tlh"', "reader.language: got 'tlh', expected 'en'"),
    (PERSON + "morning_hour = 24", "people[1].morning_hour: got 24, expected a whole number of hours"),
    ('[notices]\nmilestones = ["dry"]', "notices.milestones[1]: got 'dry', expected an array of 'set', 'touch_dry'"),
    ("[forecast]\nmembers = 1.5", "forecast.members: got 1.5, expected a whole number between 1 and 4096"),
    ("[forecast]\ndays = 99999999999999999999999", "forecast.days: got 99999999999999999999999, expected"),
    ("a = 1\n[broker\n", "line 2, column 8: not TOML: "),
    ('a = "', "not TOML: "),
    ("a = 1\na = 2", "not TOML: Cannot overwrite a value"),
    ("a = " + "[" * 3000, "not TOML"),
]


UNKNOWN = [
    ("brokr = 1", "unknown key 'brokr', did you mean 'broker'?"),
    ("zzz = 1", "unknown key 'zzz', expected one of aftercare, alarms, backup, broker, "),
    ('[broker]\nhost = "b"\nkeepalive = 5', "broker: unknown key 'keepalive', did you mean 'keepalive_s'?"),
    (SENSOR + "accuracy = {rh = 1}", "sensors[1].accuracy: unknown key 'rh', expected one of"),
    (SENSOR + "temprature = 3", "sensors[1]: unknown key 'temprature', did you mean 'temperature'?"),
    ('[rooms."Sail locker"]\nar = 1', "rooms.'Sail locker': unknown key 'ar', did you mean 'air'?"),
    (MAIL + 'password = "hunter2"', "mail: unknown key 'password', did you mean 'password_env'?"),
]


@pytest.mark.parametrize(("text", "says"), UNKNOWN)
def test_a_key_of_another_version_is_told_of_and_stops_nothing(tmp_path: Path, text: str, says: str) -> None:
    found = load(tmp_path, text)
    (problem,) = found.unknown
    assert problem.startswith(f"{tmp_path / 'curewatch.toml'}: ")
    assert says in problem
    assert problem.isprintable()
    meant = "\n".join(line for line in text.split("\n") if repr(line.split(" = ")[0]) not in says)
    assert found == load(tmp_path, meant.replace("{rh = 1}", "{}"))


def test_a_key_that_is_unknown_mends_no_mistake(tmp_path: Path) -> None:
    """What the rest then lacks is refused, with the key beside it that may have been meant."""
    found = problems(
        tmp_path, '[broker]\nhots = "b"\n[mail]\nhost = "m"\nsender = "a@x"\nuser = "u"\npasword_file = "p"'
    )
    assert [one.partition(": ")[2][:40] for one in found] == [
        "broker.host: missing, expected the broke",
        "broker: unknown key 'hots', did you mean",
        "mail: unknown key 'pasword_file', did yo",
    ]


@pytest.mark.parametrize(("text", "says"), BAD)
def test_a_mistake_is_named(tmp_path: Path, text: str, says: str) -> None:
    (problem,) = problems(tmp_path, text)
    assert problem.startswith(f"{tmp_path / 'curewatch.toml'}: ")
    assert says in problem
    assert problem.isprintable()
    assert len(problem) < 400 + len(str(tmp_path))


def test_all_problems_come_at_once_one_a_line(tmp_path: Path) -> None:
    found = problems(tmp_path, 'zone = "x"\n[broker]\nprt = 1\n[forecast]\ndays = 0\n' + SENSOR.replace("shed/a", ""))
    assert len(found) == 5


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"absent\.toml: cannot be read: No such file"):
        load_settings(tmp_path / "absent.toml")
    (tmp_path / "latin.toml").write_bytes('zone = "UTC"\n# Größe'.encode("latin-1"))
    with pytest.raises(SettingsError, match=r"latin\.toml: line 2: not UTF-8 text"):
        load_settings(tmp_path / "latin.toml")


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    assert load(tmp_path, '\ufeffzone = "UTC"').zone == "UTC"


@pytest.mark.parametrize(
    "text",
    [
        '[broker]\nhost = "b"\npassword = "hunter2-long"',
        '[webhook]\nurl = "https://shed:hunter2-long@x/"',
        '[webhook]\nurl = "https://x/"\nsecret = "hunter2-long"',
        f'[webhook]\nurl = "https://x/"\nsecret_env = "{SECRET} hunter2-long"',
    ],
)
def test_a_secret_in_the_wrong_place_is_not_repeated(tmp_path: Path, text: str) -> None:
    try:
        said = "\n".join(load(tmp_path, text).unknown)
    except SettingsError as error:
        said = str(error)
    assert said
    assert "hunter2" not in said
    assert "c2hlZ" not in said


def test_secrets_are_read_when_asked_and_show_nowhere(tmp_path: Path) -> None:
    text = (
        '[broker]\nhost = "b"\nuser = "u"\npassword_file = "p"\n'
        '[webhook]\nurl = "https://x/"\nsecret_file = "../hook-secret"\n'
    )
    (tmp_path / "etc").mkdir()
    settings = load(tmp_path / "etc", text)  # the files are not there yet, and need not be
    assert settings.broker is not None
    assert settings.webhook is not None
    with pytest.raises(SettingsError, match=r"broker\.password_file: cannot read '.*p': No such file"):
        settings.broker.password()
    (tmp_path / "etc" / "p").write_text("hunter2-long\n")
    (tmp_path / "hook-secret").write_text(SECRET)
    password, secret = settings.broker.password(), settings.webhook.secret({})
    assert password is not None
    assert secret is not None
    assert (password.get_secret_value(), secret.get_secret_value()) == ("hunter2-long", SECRET)
    shown = f"{settings!r} {settings} {settings.model_dump_json()} {password!r} {secret}"
    assert "hunter2" not in shown
    assert "whsec" not in shown


@pytest.mark.parametrize(("content", "says"), [(b"\n", "is empty"), (b"\xff", "not UTF-8 text")])
def test_a_secret_file_without_a_secret_is_named(tmp_path: Path, content: bytes, says: str) -> None:
    (tmp_path / "p").write_bytes(content)
    with pytest.raises(SettingsError, match=says):
        BrokerSettings(host="b", user="u", password_file=tmp_path / "p").password()


def test_a_secret_may_come_from_the_environment() -> None:
    webhook = WebhookSettings(url="https://x/", secret_env="SHED_SECRET")
    secret = webhook.secret({"SHED_SECRET": SECRET})
    assert secret is not None
    assert secret.get_secret_value() == SECRET
    with pytest.raises(SettingsError, match=r"webhook\.secret_env: the environment has no 'SHED_SECRET'"):
        webhook.secret({})
    assert WebhookSettings(url="https://x/").secret({}) is None


def test_the_port_follows_tls_unless_it_is_set(tmp_path: Path) -> None:
    for extra, port in [("", 1883), ("tls = true", 8883), ("tls = true\nport = 1884", 1884)]:
        broker = load(tmp_path, f'[broker]\nhost = "b"\n{extra}').broker
        assert broker is not None
        assert broker.port == port


def test_the_client_id_stays_with_the_store() -> None:
    broker = BrokerSettings(host="b")
    first, second = broker.client_id_for("/shed/studio.sqlite"), broker.client_id_for("/attic/studio.sqlite")
    assert first == broker.client_id_for("/shed/studio.sqlite") != second
    assert re.fullmatch(r"[0-9a-zA-Z]{1,23}", first)  # all that MQTT 3.1.1 section 3.1.3.1 promises is accepted
    assert BrokerSettings(host="b", client_id="boat-shed").client_id_for("/x") == "boat-shed"


@pytest.mark.parametrize("topic", ["a", "/", "a/+/b", "+", "#", "a/#", "+/+/#", "$SYS/x", "a//b", "größe"])
def test_topic_filters(topic: str) -> None:
    assert SensorSettings(id="s", room="Loft", topic=topic).topic == topic


@pytest.mark.parametrize("pointer", ["", "/", "/a/b", "/a~1b/~0", "/0", "//"])
def test_pointers(pointer: str) -> None:
    assert SensorSettings(id="s", room="Loft", topic="a", temperature=pointer).temperature == pointer


def test_the_two_topics_of_one_device_share_an_id_only_in_one_room() -> None:
    def half(reads: str, room: str) -> SensorSettings:
        return SensorSettings.model_validate({"id": "s", "room": room, "topic": f"shed/{reads}", "reads": reads})

    both = (half("temperature", "Loft"), half("humidity", "Loft"))
    assert Settings(sensors=both).sensors == both
    for other in (half("humidity", "Slipway"), half("temperature", "Loft")):
        with pytest.raises(ValidationError, match=r"another id for sensors\[2\]"):
            Settings(sensors=(both[0], other))


def test_settings_are_frozen() -> None:
    with pytest.raises(ValidationError):
        load_settings(None).zone = "UTC"  # type: ignore[misc]


def test_an_unclear_machine_zone_is_asked_for(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(tzlocal, "get_localzone_name", lambda: "Mars/Crater")
    for ask in (lambda: load_settings(None), lambda: load(tmp_path, "[forecast]\ndays = 3")):
        with pytest.raises(SettingsError, match="this machine's time zone is unclear"):
            ask()


def test_where_the_store_is(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    assert store_location(None, {}) == str(tmp_path / "curewatch" / "studio.sqlite")
    assert store_location(None, {"CUREWATCH_STORE": ""}) == store_location(None, {})
    assert store_location(None, {"CUREWATCH_STORE": "b.sqlite"}) == str(tmp_path / "b.sqlite")
    assert store_location("a.sqlite", {"CUREWATCH_STORE": "b.sqlite"}) == str(tmp_path / "a.sqlite")
    assert store_location("postgresql+psycopg://shed/studio", {}) == "postgresql+psycopg://shed/studio"
    for bad in ("", "a\0b", "~nosuchperson/x"):
        with pytest.raises(SettingsError, match="--store: got "):
            store_location(bad, {})


def test_where_the_settings_are(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert config_path(None, {}) is None
    usual = tmp_path / "curewatch" / "curewatch.toml"
    usual.parent.mkdir()
    usual.touch()
    assert config_path(None, {}) == config_path(None, {"CUREWATCH_CONFIG": ""}) == usual
    assert config_path(str(EXAMPLE), {"CUREWATCH_CONFIG": "absent"}) == EXAMPLE
    with pytest.raises(SettingsError, match="CUREWATCH_CONFIG: got 'absent', expected the path of a settings file"):
        config_path(None, {"CUREWATCH_CONFIG": "absent"})
    with pytest.raises(SettingsError, match="--config: got "):
        config_path(str(tmp_path), {})


def test_importing_the_settings_loads_nothing_heavy() -> None:
    code = "import sys, curewatch.settings, curewatch.intake.typed; print(*sys.modules)"
    loaded = set(subprocess.check_output([sys.executable, "-c", code], text=True).split())
    assert loaded & {"numpy", "sqlalchemy", "requests", "paho", "tzlocal", "platformdirs", "tomllib"} == set()
