"""Photos on the page: only pictures, only from paired devices, given out as attachments."""

from __future__ import annotations

import io
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import pytest
from PIL import Image

from faulttree.cases.photos.case_photos import added, set_megabytes
from faulttree.cases.photos.picture import picture
from faulttree.page.guard import PHOTO_LIMIT
from faulttree.page.photos import MOST_UPLOADS
from faulttree.walk import events as ev
from tests.cases.test_photos import HOSTILE, file_of, noise, png, with_place
from tests.page.support import HOST, ORIGIN, Browser, Shop, shop
from tests.session.samples import lamp


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    with shop(tmp_path_factory.mktemp("shop")) as made:
        yield made


@pytest.fixture
def page(here: Shop) -> Browser:
    return here.browser().get(f"/case/{here.open(lamp())}/photo")


def send(
    page: Browser, data: bytes, name: str = "../../etc/x.svg", *, field: str = "camera", **more: str
) -> Browser:
    """Send a picture with the form that is open."""
    (form,) = page.forms
    files = {field: (name, data, "image/svg+xml")}
    answer = page.client.post(
        form.to, data={**form.fields, **more}, files=files, headers={"origin": ORIGIN}
    )
    return page._took(answer)


def case_of(page: Browser) -> str:
    return page.path.split("/")[2]


def photos(here: Shop, page: Browser) -> list[ev.PhotoAdded]:
    return [one for one in here.events(case_of(page)) if isinstance(one, ev.PhotoAdded)]


def test_a_photo_is_kept_at_its_step_with_device_and_words(here: Shop, page: Browser) -> None:
    case = case_of(page)
    send(page, with_place(noise()), words=" the burnt track ")
    assert (page.status, page.path) == (200, f"/case/{case}")
    assert "The photo is kept: 60 × 40 pixels" in page.said
    (photo,) = photos(here, page)
    assert (photo.words, photo.step, photo.device, photo.path) == (
        "the burnt track",
        "plug",
        "page",
        "",
    )
    assert photo.original == ""
    assert b"Exif" not in (here.store.photo(photo.sha256) or b"Exif")


def test_a_photo_comes_back_as_an_attachment_that_is_no_page(here: Shop, page: Browser) -> None:
    case = case_of(page)
    send(page, file_of(noise()), words="<b>lamp</b>")
    (photo,) = photos(here, page)
    page.get(f"/case/{case}/photo")
    assert "&lt;b&gt;lamp&lt;/b&gt;" in page.text
    for path in (photo.sha256, f"{photo.sha256}/small"):
        assert f'"/case/{case}/photo/{path}"' in page.text
        answer = here.client.get(f"/case/{case}/photo/{path}")
        assert answer.headers["content-type"] == "image/jpeg"
        assert answer.headers["content-disposition"] == (
            f'attachment; filename="photo-{photo.sha256[:12]}.jpg"'
        )
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"
        assert Image.open(io.BytesIO(answer.content)).size == (60, 40)
    assert f'src="/case/{case}/photo/{photo.sha256}"' in page.get(f"/case/{case}/report").text


def test_the_same_form_sent_again_keeps_one_photo(here: Shop, page: Browser) -> None:
    form = page.forms[0]
    for _ in range(3):
        files = {"file": ("x", file_of(noise()), "image/jpeg")}
        answer = here.client.post(
            form.to, data=form.fields, files=files, headers={"origin": ORIGIN}
        )
        assert answer.status_code == 200
    assert len(photos(here, page)) == 1


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_is_refused_in_words(here: Shop, page: Browser, name: str) -> None:
    data, message = HOSTILE[name]
    send(page, data, words="kept words")
    assert page.status == 422
    assert (message if data else "empty") in page.said
    assert 'value="kept words"' in page.text
    assert photos(here, page) == []


@pytest.mark.parametrize("path", ["/etc/passwd", "file:///etc/passwd", "~/x.jpg", "\x00"])
def test_a_path_is_no_photo(here: Shop, page: Browser, path: str) -> None:
    form = page.forms[0]
    for field in ("camera", "file", "path"):
        told = {**form.fields, field: path}
        answer = here.client.post(
            form.to, data=told, files={"other": ("", b"")}, headers={"origin": ORIGIN}
        )
        assert answer.status_code == 422
    # Nor as a word of the walk.
    page.get(f"/case/{case_of(page)}")
    page.reply(path, action="photo")
    assert page.status == 422
    assert photos(here, page) == []


def test_what_is_too_large_is_refused_before_it_is_read(here: Shop, page: Browser) -> None:
    form = page.forms[0]
    head = {"origin": ORIGIN, "content-type": "multipart/form-data; boundary=x"}
    length = {**head, "content-length": str(PHOTO_LIMIT + 1)}
    assert here.client.post(form.to, content=b"x", headers=length).status_code == 413
    # A body without its length, in pieces, could be endless.
    pieces = (b"x" * 1000 for _ in range(3))
    assert here.client.post(form.to, content=pieces, headers=head).status_code == 400
    # No other path takes so much.
    reply = here.client.post(f"/case/{case_of(page)}/reply", content=b"x" * 100_000, headers=head)
    assert reply.status_code == 413


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 400),
        (b"no form at all", 400),
        (b"--x\r\n\r\n", 400),
        (b'--x\r\nContent-Disposition: form-data; name="camera"\r\n\r\nno end', 400),
        (b'--x\r\nContent-Disposition: form-data; name="n"\r\n\r\na\r\n' * 99 + b"--x--", 400),
        (
            b'--x\r\nContent-Disposition: form-data; name="n"; filename="f"\r\n\r\na\r\n' * 9
            + b"--x--",
            400,
        ),
    ],
)
def test_a_damaged_form_is_refused(here: Shop, page: Browser, body: bytes, status: int) -> None:
    head = {"origin": ORIGIN, "content-type": "multipart/form-data; boundary=x"}
    answer = here.client.post(page.forms[0].to, content=body, headers=head)
    assert answer.status_code in (status, 403)
    assert "Traceback" not in answer.text
    assert photos(here, page) == []


def test_only_a_form_of_this_device_and_site_counts(here: Shop, page: Browser) -> None:
    form = page.forms[0]
    for fields, head in (
        ({**form.fields, "csrf": "0" * 64}, {"origin": ORIGIN}),
        ({"key": form.fields["key"]}, {"origin": ORIGIN}),
        (form.fields, {"origin": "http://evil.example"}),
        (form.fields, {}),
        (form.fields, {"origin": ORIGIN, "sec-fetch-site": "cross-site"}),
    ):
        files = {"camera": ("x.jpg", file_of(noise()))}
        answer = here.client.post(form.to, data=fields, files=files, headers=head)
        assert answer.status_code == 403
    assert photos(here, page) == []


def test_only_some_photos_may_arrive_at_once(here: Shop, page: Browser) -> None:
    desk = here.client.app.app.state.desk  # type: ignore[attr-defined]
    desk.uploads = MOST_UPLOADS
    try:
        assert send(page, file_of(noise())).status == 503
    finally:
        desk.uploads = 0
    assert photos(here, page) == []


def test_a_case_has_a_limit(here: Shop, page: Browser) -> None:
    here.store.write(lambda connection: set_megabytes(connection, 0))
    try:
        send(page, file_of(noise()))
        assert page.status == 422
        assert "more than 0 MB" in page.said
    finally:
        here.store.write(lambda connection: set_megabytes(connection, 200))
    assert photos(here, page) == []


def test_a_closed_case_and_an_unknown_one_take_no_photo(here: Shop, page: Browser) -> None:
    case = case_of(page)
    here.store.append(case, 1, ev.Closed(at="2026-02-11T10:05:00.000Z", result="unsolved"))
    send(page, file_of(noise()))
    assert page.status == 422
    assert page.get("/case/nothing/photo").status == 404


@pytest.mark.parametrize(
    "name", ["0" * 64, "..%2f..%2fetc%2fpasswd", "%00", "x.html", "photo", "small"]
)
def test_there_is_nothing_under_another_name(here: Shop, page: Browser, name: str) -> None:
    send(page, png(4, 4))
    for path in (name, f"{name}/small"):
        answer = here.client.get(f"/case/{case_of(page)}/photo/{path}")
        assert answer.status_code in (400, 404)
        assert "etc" not in answer.text


def test_a_photo_of_another_case_or_an_original_is_not_given(here: Shop, page: Browser) -> None:
    send(page, file_of(noise(seed=7)))
    (photo,) = photos(here, page)
    other = here.open(lamp())
    assert here.client.get(f"/case/{other}/photo/{photo.sha256}").status_code == 404
    with_original = picture(with_place(noise(seed=8)), keep_original=True)
    event = added(here.store, here.events(other), with_original)
    here.store.append(other, 1, event)
    assert here.client.get(f"/case/{other}/photo/{event.sha256}").status_code == 200
    assert here.client.get(f"/case/{other}/photo/{event.original}").status_code == 404


def test_an_original_is_kept_only_where_the_server_was_told_to(tmp_path: Path) -> None:
    with shop(tmp_path, keep_originals=True) as here:
        page = here.browser().get(f"/case/{here.open(lamp())}/photo")
        send(page, with_place(noise()))
        (photo,) = photos(here, page)
        assert here.store.photo(photo.original, original=True) == with_place(noise())


def test_a_device_that_is_not_paired_sees_and_sends_no_photo(tmp_path: Path) -> None:
    with shop(tmp_path, client=("192.168.1.30", 50000)) as away:
        case = away.open(lamp())
        data = file_of(noise())
        for path in ("photo", f"photo/{sha256(data).hexdigest()}", f"photo/{'0' * 64}/small"):
            answer = away.client.get(f"/case/{case}/{path}", follow_redirects=False)
            assert (answer.status_code, answer.headers["location"]) == (303, "/pair")
        files = {"camera": ("x.jpg", data)}
        answer = away.client.post(
            f"/case/{case}/photo", files=files, headers={"origin": f"http://{HOST}"}
        )
        assert answer.status_code == 401
        assert len(away.events(case)) == 1
