"""What people write: signing in, and the field log."""

import os
import time
from datetime import datetime
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from stream.errors import CommandError
from stream.note_kinds import KINDS, OFFERED, TAKEN_BACK
from stream.notes.write import keep_note
from stream.station import FieldNote, Station, read_clock, read_notes, standing
from stream.store.station_data import Notes
from stream.times import to_micros
from stream.web import query as asked
from stream.web.security import client_of, form_word, is_our_form, is_token
from stream.web.sessions import begin, writer_of
from stream.web.site import Site, site_of

_BACK: Final = 303


async def sign_in(request: Request) -> Response:
    """The right word and a name open the field log for writing."""
    site = site_of(request)
    if request.method == "GET":
        return site.show(request, "sign_in.html", text="")
    if site.token is None:
        raise HTTPException(403, site.closed)
    form = await _our_form(request)
    if not site.sign_ins.allows(client_of(request)):
        raise HTTPException(429, "Too many tries; wait a minute.")
    name = str(form.get("name", "")).strip()[:80]
    if not is_token(str(form.get("token", "")), site.token):
        return site.show(request, "sign_in.html", 403, text="That is not the word.")
    if not name:
        return site.show(request, "sign_in.html", 400, text="Say who you are.")
    begin(request, name)
    form_word(request)
    return RedirectResponse("/log", _BACK)


async def sign_out(request: Request) -> Response:
    """Nothing is left of the session."""
    await _our_form(request)
    request.session.clear()
    return RedirectResponse("/", _BACK)


def log(request: Request) -> Response:
    """The field log."""
    return _log(request, "", {})


def _log(request: Request, text: str, given: dict[str, Any], status: int = 200) -> Response:
    site = site_of(request)
    data = site.data()
    notes = read_notes(Notes(site.store, data.file.station.id).all())
    holding = {n.number for n in standing(notes)}
    back = {n.refers: n for n in notes if n.kind == TAKEN_BACK}
    station = data.file.station
    return site.show(
        request,
        "log.html",
        status,
        notes=notes[::-1],
        holding=holding,
        taken_back=back,
        offered=OFFERED,
        kinds=KINDS,
        treatments=sorted({c.treatment for c in station.chambers} - {""}),
        plots=sorted({c.plot for c in station.chambers} - {""}),
        text=text,
        given=given,
        key=os.urandom(16).hex(),
    )


async def write(request: Request) -> Response:
    """A new note."""
    site, form = await _writer(request)
    given = {k: str(v) for k, v in form.items()}
    try:
        note = _note(site.file.station, given, writer_of(request) or "")
        await run_in_threadpool(
            keep_note, site.store, site.file.station, note, given.get("key", "")
        )
    except CommandError as error:
        return await run_in_threadpool(_log, request, str(error), given, 400)
    site.noted()
    return RedirectResponse("/log", _BACK)


async def take_back(request: Request) -> Response:
    """A note no longer holds, or holds again."""
    site, form = await _writer(request)
    number = asked.identity(request, "number")
    note = FieldNote(
        number=0, at_us=_now_us(), until_us=None, written_us=0, kind=TAKEN_BACK,
        author=writer_of(request) or "", chamber="", plot="", treatment="",
        amount=None, text=str(form.get("why", "")), refers=number,
    )  # fmt: skip
    try:
        await run_in_threadpool(
            keep_note, site.store, site.file.station, note, str(form.get("key", ""))
        )
    except CommandError as error:
        return await run_in_threadpool(_log, request, str(error), {}, 400)
    site.noted()
    return RedirectResponse("/log", _BACK)


async def _our_form(request: Request) -> Any:
    form = await request.form(max_files=0, max_fields=30)
    if not is_our_form(request, form):
        raise HTTPException(403, "This form is old or not ours; load the page again.")
    return form


async def _writer(request: Request) -> tuple[Site, Any]:
    """The form of somebody who may write.

    Raises
    ------
    HTTPException
        They may not, the form is not ours, or there were too many.
    """
    site = site_of(request)
    form = await _our_form(request)
    if site.token is None or writer_of(request) is None:
        raise HTTPException(403, "Sign in to write.")
    if not site.writings.allows(client_of(request)):
        raise HTTPException(429, "Too many at once; wait a minute.")
    return site, form


def _note(station: Station, given: dict[str, str], author: str) -> FieldNote:
    zone = read_clock(station.station.timezone)

    def moment(name: str) -> int | None:
        text = given.get(name, "").strip()
        if not text:
            return None
        try:
            when = datetime.fromisoformat(text)
        except ValueError:
            raise CommandError(f"{name}: {text!r} is not a time") from None
        return to_micros(when if when.tzinfo else when.replace(tzinfo=zone))

    amount = given.get("amount", "").strip().replace(",", ".")
    try:
        value = float(amount) if amount else None
    except ValueError:
        raise CommandError(f"amount: {amount!r} is not a number") from None
    at = moment("at")
    return FieldNote(
        number=0,
        at_us=_now_us() if at is None else at,
        until_us=moment("until"),
        written_us=0,
        kind=given.get("kind", ""),
        author=author,
        chamber=given.get("chamber", ""),
        plot=given.get("plot", ""),
        treatment=given.get("treatment", ""),
        amount=value,
        text=given.get("text", ""),
        refers=None,
    )


def _now_us() -> int:
    return time.time_ns() // 1000


ROUTES: Final = [
    Route("/sign-in", sign_in, methods=["GET", "POST"]),
    Route("/sign-out", sign_out, methods=["POST"]),
    Route("/log", log, methods=["GET"]),
    Route("/log", write, methods=["POST"]),
    Route("/log/{number:int}/take-back", take_back, methods=["POST"]),
]
