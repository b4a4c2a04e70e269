"""Files of finished runs over HTTP."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, Response, StreamingResponse
from starlette.routing import Route

from vrx.app import pages
from vrx.app.guard import CSP_OF_FILES
from vrx.app.runs import file_of, run_folder, zip_of
from vrx.app.session import Session

_OPEN = {".html": "text/html; charset=utf-8", ".csv": "text/plain; charset=utf-8",
         ".json": "application/json", ".txt": "text/plain; charset=utf-8"}


def _attached(name: str) -> str:
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "._-") else "_" for c in name)
    return f"attachment; filename=\"{plain}\"; filename*=UTF-8''{quote(name, safe='')}"


def _gone() -> Response:
    return HTMLResponse(pages.refusal(404, "This run has no such file."), status_code=404)


def routes(session: Session) -> list[Route]:
    """Routes of downloads, whole runs, and pages that a run wrote."""

    async def one(request: Request) -> Response:
        path = await run_in_threadpool(_asked, session, request)
        if path is None:
            return _gone()
        return FileResponse(path, media_type="application/octet-stream",
                            headers={"content-disposition": _attached(path.name)})

    async def shown(request: Request) -> Response:
        path = await run_in_threadpool(_asked, session, request)
        if path is None or path.suffix.lower() not in _OPEN:
            return _gone()
        return FileResponse(path, media_type=_OPEN[path.suffix.lower()],
                            headers={"content-security-policy": CSP_OF_FILES})

    async def whole(request: Request) -> Response:
        run = run_folder(session.folder, request.path_params["run"])
        if run is None:
            return _gone()
        return StreamingResponse(zip_of(run), media_type="application/zip", headers={
            "content-disposition": _attached(f"{run.name}.zip")})

    return [
        Route("/hand-over/file/{run}/{path:path}", one),
        Route("/hand-over/open/{run}/{path:path}", shown),
        Route("/hand-over/all/{run}.zip", whole),
    ]


def _asked(session: Session, request: Request) -> Path | None:
    run = run_folder(session.folder, request.path_params["run"])
    return None if run is None else file_of(run, request.path_params["path"])
