"""The web application: routes, pages, patches, and what is said when something goes wrong."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from vrx.app import downloads, pages, past
from vrx.app.form import Brought, Form, Receiver, read_urlencoded
from vrx.app.guard import FAULT_TOLD, UPLOAD_PATHS, Guard, Keys, TooMuch
from vrx.app.session import Session, tell_fault
from vrx.app.step import Done, Step
from vrx.app.steps import STEPS
from vrx.errors import PlanError, VrxError

_STATIC = Path(__file__).with_name("static")
_KINDS = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
_MOST_KNOWN = 200_000
PARTS = "x-vrx-parts"
WAIT_S = 5.0
"""An action waits so long for what the app itself began, such as reading the files."""


def make_app(session: Session, *, token: str, port: int) -> Guard:
    """The application of one session, behind its guard."""
    keys = Keys(token)
    desk = Desk(session, keys)
    routes = [
        Route("/", desk.home),
        Route("/static/{name}", static),
        Route("/task", desk.task),
        Route("/task/cancel", desk.cancel, methods=["POST"]),
        Route("/code/{code}", desk.code),
        *downloads.routes(session),
    ]
    for step in STEPS:
        routes += [
            Route(step.path, desk.page_of(step)),
            Route(step.path + "/{action}", desk.action_of(step), methods=["POST"]),
            Route(step.path + "/{action}", desk.back_of(step)),
        ]
    app = Starlette(routes=routes, exception_handlers={
        404: _not_found, 405: _not_found, TooMuch: _too_much, Exception: _fault,
    })
    app.router.redirect_slashes = False
    return Guard(app, keys=keys, port=port, refuse=pages.refusal)


async def static(request: Request) -> Response:
    """One of our own files; no other name is known."""
    path = _STATIC / request.path_params["name"]
    if path.parent != _STATIC or path.suffix not in _KINDS or not path.is_file():
        return await _not_found(request, None)
    return Response(path.read_bytes(), media_type=_KINDS[path.suffix])


async def _not_found(request: Request, err: Exception | None) -> Response:
    return HTMLResponse(pages.refusal(404, "There is no such page in this app."), status_code=404)


async def _too_much(request: Request, err: Exception) -> Response:
    status, words = (err.status, err.words) if isinstance(err, TooMuch) else (413, str(err))
    headers = {"connection": "close"}
    if PARTS in request.headers:
        told = pages.trouble_told(PlanError(words, code="app-too-much"))
        return JSONResponse({"trouble": told}, status_code=status, headers=headers)
    return HTMLResponse(pages.refusal(status, words), status_code=status, headers=headers)


async def _fault(request: Request, err: Exception) -> Response:
    name = tell_fault(err)
    request.scope[FAULT_TOLD] = True
    if PARTS in request.headers:
        return JSONResponse({"trouble": pages.fault_told(name)}, status_code=500)
    return HTMLResponse(pages.fault_page(name), status_code=500)


class Desk:
    """The handlers of one session."""

    def __init__(self, session: Session, keys: Keys) -> None:
        self.session = session
        self.keys = keys

    async def home(self, request: Request) -> Response:
        """To the first step that is not done."""
        def first() -> str:
            if not self.session.busy:
                self.session.look()
            return next((one.path for one in STEPS if pages.mark_of(self.session, one) != "done"),
                        STEPS[-1].path)

        return RedirectResponse(await run_in_threadpool(first), status_code=303)

    async def task(self, request: Request) -> Response:
        """What the long work does now."""
        return JSONResponse(self.session.progress_json())

    async def cancel(self, request: Request) -> Response:
        """Call the long work off; this waits for no lock."""
        try:
            form = await self._form(request)
        except VrxError as err:
            return JSONResponse({"trouble": pages.trouble_told(err)}, status_code=422)
        said = await run_in_threadpool(self.session.cancel)
        if PARTS in request.headers:
            return JSONResponse({"said": said})
        self.session.kept["said"] = said
        back = form.text("back", "/", most=60)
        known = {one.path for one in STEPS}
        return RedirectResponse(back if back in known else "/", status_code=303)

    async def code(self, request: Request) -> Response:
        """The explanation of a code of findings and errors."""
        return HTMLResponse(pages.code_page(request.path_params["code"]))

    def page_of(self, step: Step) -> Callable[[Request], Any]:
        """GET of a step: its page, or with `?parts=1` what changed of it."""
        async def page(request: Request) -> Response:
            if "parts" in request.query_params:
                return await run_in_threadpool(self._patch, step, known_of(request), None)
            return await run_in_threadpool(self._page, step)

        return page

    def back_of(self, step: Step) -> Callable[[Request], Any]:
        """GET of an action's address, as after a reload: back to its step; it does nothing."""
        async def back(request: Request) -> Response:
            if request.path_params["action"] not in step.actions:
                return await _not_found(request, None)
            return RedirectResponse(step.path, status_code=303)

        return back

    def action_of(self, step: Step) -> Callable[[Request], Any]:
        """POST of an action of a step."""
        async def act(request: Request) -> Response:
            fetched = PARTS in request.headers
            receiver: Receiver | None = None
            try:
                if request.path_params["action"] not in {*step.actions, *past.ACTIONS}:
                    return await _not_found(request, None)
                if request.url.path in UPLOAD_PATHS:
                    receiver = Receiver(request.headers.get("content-type", ""),
                                        folder=self.session.folder, check=self._check)
                    form = await receiver.read(_chunks(request))
                else:
                    form = await self._form(request)
                return await run_in_threadpool(
                    self._act, step, request.path_params["action"], form,
                    known_of(request) if fetched else None)
            except VrxError as err:
                return await run_in_threadpool(self._refused, step, err, fetched=fetched)
            finally:
                if receiver is not None:
                    await run_in_threadpool(receiver.close)

        return act

    async def _form(self, request: Request) -> Form:
        kind = request.headers.get("content-type", "").partition(";")[0].strip()
        if kind == "multipart/form-data":
            # app.js sends every form so; without files nothing is written.
            receiver = Receiver(request.headers["content-type"], folder=self.session.folder,
                                check=self._check)
            try:
                form = await receiver.read(_chunks(request))
                if form.files:
                    raise PlanError("this form takes no files", code="app-no-files")
                return form
            finally:
                receiver.close()
        form = read_urlencoded(await request.body())
        self._check(form.fields)
        return form

    def _check(self, fields: Any) -> None:
        told = fields.get("token", [])
        if len(told) != 1 or not self.keys.fits_form(told[0]):
            raise PlanError("this page is of an earlier start of the app", code="app-token",
                            where="token", hint="reload it; what you typed stays in the fields")

    def _act(
        self, step: Step, action: str, form: Form, known: dict[str, str] | None
    ) -> Response:
        session = self.session
        if not session.idle(WAIT_S):
            raise PlanError("something else is still being worked out", code="app-busy",
                            hint="wait until it is ready, or cancel it")
        with session.held() as bench:
            bench.look()
            on = form.text("on", "")
            if on and on != bench.state:
                return self._moved(step, known)
            before = session.asked
            try:
                done = {**past.ACTIONS, **step.actions}[action](session, form)
            except VrxError as err:
                if err.code == "app-moved-on":
                    return self._moved(step, known)
                raise
            if session.asked is not None and session.asked is not before:
                session.asked.step = step.id
            if session.asked is not None and session.asked.ended.is_set():
                session.asked = None
            bench.look()
        if known is None or done.go:
            session.kept["said"] = done.said
        if known is None:
            return RedirectResponse(done.go or step.path, status_code=303)
        return self._patch(step, known, done)

    def _moved(self, step: Step, known: dict[str, str] | None) -> Response:
        said = ("The plan was changed in another window or on the command line. This page now "
                "shows it as it is; what you typed is still here. Look, and do it again.")
        if known is None:
            return self._page(step, status=409, said=said)
        return self._patch(step, known, Done(said), status=409)

    def _refused(self, step: Step, err: VrxError, *, fetched: bool) -> Response:
        status = 403 if err.code == "app-token" else 409 if err.code == "app-busy" else 422
        if fetched:
            return JSONResponse({"trouble": pages.trouble_told(err)}, status_code=status)
        return self._page(step, status=status, err=err)

    def _page(
        self, step: Step, *, status: int = 200, said: str = "", err: VrxError | None = None
    ) -> Response:
        return HTMLResponse(pages.page(self.session, self.keys, step, said=said, err=err),
                            status_code=status)

    def _patch(
        self, step: Step, known: dict[str, str], done: Done | None, *, status: int = 200
    ) -> Response:
        told = pages.patch(self.session, self.keys, step, known)
        if done is not None:
            told |= {"said": done.said, "go": done.go}
        return JSONResponse(told, status_code=status)


def known_of(request: Request) -> dict[str, str]:
    """The hashes that the page has, by element id; a header that is none is as good as none."""
    told = request.headers.get(PARTS, "{}")
    try:
        known = json.loads(told) if len(told) < _MOST_KNOWN else {}
    except (ValueError, RecursionError):
        known = {}
    if not isinstance(known, dict):
        return {}
    return {str(name): str(value) for name, value in known.items()}


async def _chunks(request: Request) -> AsyncIterator[bytes]:
    async for chunk in request.stream():
        yield chunk


__all__ = ["Brought", "Desk", "make_app"]
