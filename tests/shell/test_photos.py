"""A photo from the phone to the page, the record, the label and the API; taken back, backed up, moved on."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import requests
from PIL import Image

from curewatch.cli import main
from curewatch.desk import Desk
from curewatch.desk.transfer.exporting import write_tables
from curewatch.desk.transfer.importing import import_facts
from curewatch.records.errors import InputError
from curewatch.store import Store, back_up, restore
from tests.core.pictures import jpeg, png_bomb
from tests.refreshing import refresh
from tests.shell.moved_studio import everything, from_json, from_tables
from tests.shell.web_parts import NOW, TIMEOUT_S, Studio, get, served, token_on


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        studio.read(hours=24)
        studio.pour("Curlew", hours_ago=20)
        refresh(studio.desk, NOW)
        yield studio


def send(studio: Studio, content: bytes, name: str = "IMG_1.jpg", **fields: str) -> requests.Response:
    """As the form on Curlew's page does."""
    token = token_on(studio.get("/piece/Curlew").text)
    return studio.browser.post(
        f"{studio.url}/piece/Curlew/photo",
        data={"token": token, "when": "now", **fields},
        files={"file": (name, content, "image/jpeg")},
        timeout=TIMEOUT_S,
    )


def post(studio: Studio, content: bytes, kind: str = "wet", sent_as: str = "image/jpeg") -> requests.Response:
    """As a program does."""
    url = f"{studio.url}/api/v1/pieces/Curlew/photo?kind={kind}"
    return requests.post(url, data=content, headers={"content-type": sent_as}, timeout=TIMEOUT_S)


def files(studio: Studio) -> set[str]:
    return studio.store.photos.names()


def test_wet_and_dry_stand_side_by_side_wherever_the_piece_is_shown(studio: Studio) -> None:
    page = studio.page("/piece/Curlew")
    assert 'capture="environment"' in page
    assert 'enctype="multipart/form-data"' in page
    kept = send(studio, jpeg(800, 600, orientation=6), kind="wet", when="3 h ago")
    assert "Kept: a photo, wet." in kept.text
    assert send(studio, jpeg(700, 500), kind="flaw").status_code == 200
    assert send(studio, jpeg(600, 500), kind="dry").status_code == 200
    page = studio.page("/piece/Curlew")
    assert [page.index(f'alt="Curlew, {kind}"') for kind in ("wet", "dry", "flaw")] == sorted(
        page.index(f'alt="Curlew, {kind}"') for kind in ("wet", "dry", "flaw")
    )
    assert "/photo/1.jpg" in studio.page("/record/Curlew")
    assert 'alt="dry"' in studio.page("/labels"), "the newest"
    photos = get(studio, "/pieces/Curlew/photos")
    assert [one["kind"] for one in photos] == ["wet", "flaw", "dry"]
    assert (photos[0]["width_px"], photos[0]["height_px"]) == (600, 800)
    assert get(studio, "/pieces/Curlew")["photos"] == get(studio, "/pieces/Curlew/record")["photos"] == photos
    assert get(studio, "/labels")[0]["photo"] == photos[-1]


def test_a_picture_is_told_for_what_it_is_and_holds_nothing_of_where_it_was_taken(studio: Studio) -> None:
    send(studio, jpeg(800, 600, orientation=6), kind="wet")
    for path in ("/photo/1.jpg", "/api/v1/photos/1.jpg"):
        answer = studio.get(path)
        assert answer.headers["content-type"] == "image/jpeg"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert answer.headers["cache-control"].startswith("private")
        assert not Image.open(io.BytesIO(answer.content)).getexif()
    assert studio.get("/photo/2.jpg").status_code == 404


@pytest.mark.parametrize("content", [b"", b"<svg/>", png_bomb(60_000, 60_000), jpeg()[:150]])
def test_what_is_no_photo_stores_nothing_and_says_why(studio: Studio, content: bytes) -> None:
    refused = send(studio, content, "thing.jpg", kind="wet")
    assert refused.status_code == 422
    assert "Not saved." in refused.text
    answer = post(studio, content)
    assert answer.status_code == 422
    assert answer.json()["field"] == "body"
    assert files(studio) == set()
    assert get(studio, "/pieces/Curlew/photos") == []


def test_too_long_of_another_type_or_of_no_such_piece_it_is_refused(studio: Studio) -> None:
    assert post(studio, jpeg(), sent_as="application/json").status_code == 415
    assert post(studio, bytes(33 * 2**20)).status_code == 413
    assert post(studio, jpeg(), kind="blurred").status_code == 422
    assert "What it shows" in send(studio, jpeg(), kind="blurred").text
    url = f"{studio.url}/api/v1/pieces/Nobody/photo"
    assert requests.post(url, data=jpeg(), headers={"content-type": "image/png"}, timeout=20).status_code == 404
    assert files(studio) == set()


def test_taken_back_the_file_goes_with_it_unless_another_photo_is_the_same(studio: Studio) -> None:
    kept = send(studio, jpeg(), kind="wet")
    again = post(studio, jpeg(), kind="dry").json()
    assert len(files(studio)) == 1
    assert "Taken back." in studio.undo(kept.text)
    assert len(files(studio)) == 1
    answer = requests.post(f"{studio.url}/api/v1/undo", json=again["undo"], timeout=TIMEOUT_S)
    assert answer.status_code == 200
    assert files(studio) == set()
    assert get(studio, "/pieces/Curlew/photos") == []
    send(studio, jpeg(), kind="wet")
    assert "Curlew: photo, wet" in studio.page("/lately")


def test_without_a_word_it_shows_what_the_stage_is(studio: Studio) -> None:
    url = f"{studio.url}/api/v1/pieces/Curlew/photo"
    for at in ("2026-11-19T13:30:00Z", "2026-11-20T09:00:00Z"):
        sent = requests.post(url, params={"at": at}, data=jpeg(), headers={"content-type": "image/jpeg"}, timeout=20)
        assert sent.status_code == 201, sent.text
    first, last = get(studio, "/pieces/Curlew/photos")
    assert (first["kind"], last["kind"]) == ("wet", "dry")


def test_it_is_backed_up_and_brought_back_and_moves_with_everything_else(studio: Studio, tmp_path: Path) -> None:
    send(studio, jpeg(300, 200), kind="wet")
    send(studio, jpeg(200, 200), kind="dry")
    before = {name: studio.store.photos.get(name) for name in files(studio)}
    path = Path(studio.store.location)
    backup = back_up(path, NOW)
    other = tmp_path / "elsewhere" / "again.sqlite"
    restore(other, backup.path, NOW)
    with Store.open(other) as store:
        assert {name: store.photos.get(name) for name in store.photos.names()} == before
    out = io.BytesIO()
    write_tables(studio.desk, NOW, out)
    said = everything(studio.desk)
    for facts in (from_json(said), from_tables(out.getvalue())):
        with Store.open(tmp_path / "new" / f"{id(facts)}.sqlite") as store:
            new = Desk(store, studio.desk.settings)
            assert import_facts(new, facts)["photos"] == 2
            assert {name: store.photos.get(name) for name in store.photos.names()} == before
            assert everything(new)["photos"] == said["photos"]
    (name, *_) = said["photo_files"]
    said["photo_files"][name] = said["photo_files"][name][:-8] + "AAAAAAA="
    with Store.open(tmp_path / "spoilt.sqlite") as store, pytest.raises(InputError, match="a photo as it was exported"):
        import_facts(Desk(store, studio.desk.settings), from_json(said))


def test_a_command_keeps_it_and_refuses_what_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "none.toml"))
    (tmp_path / "none.toml").write_text('zone = "UTC"\n[forecast]\nmembers = 2\n')

    def run(*words: str) -> tuple[int, str, str]:
        code = main(words)
        said = capsys.readouterr()
        return code, said.out, said.err

    assert run("pour", "Heron", "--room", "Shed", "--layer", "medium", "--size", "20x20cm", "--at", "1 h ago")[0] == 0
    (tmp_path / "a.jpg").write_bytes(jpeg(400, 300))
    (tmp_path / "b.jpg").write_bytes(png_bomb(90_000, 90_000))
    assert run("photo", "Heron", str(tmp_path / "a.jpg"))[1].startswith("Kept: Heron, wet (400 x 300, ")
    found: dict[str, Any] = json.loads(run("photo", "Heron", str(tmp_path / "a.jpg"), "--kind", "dry", "--json")[1])
    assert (found["piece"], found["photo"]["kind"], found["photo"]["width_px"]) == ("Heron", "dry", 400)
    for words, said in (
        (("Heron", str(tmp_path / "b.jpg")), "million pixels"),
        (("Heron", str(tmp_path / "none.toml")), "FILE"),
        (("Heron", str(tmp_path / "a.jpg"), "--kind", "blurred"), "--kind: got 'blurred'"),
        (("Nobody", str(tmp_path / "a.jpg")), "a piece here"),
    ):
        code, _, err = run("photo", *words)
        assert code == 2, err
        assert said in err
    assert "Photos    wet" in run("piece", "Heron")[1]
    assert run("undo", "Heron")[1].startswith("Taken back: Heron: photo, dry")
