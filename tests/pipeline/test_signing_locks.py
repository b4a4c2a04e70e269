"""A record that cannot be written says why: a closed folder is no second signer."""

from __future__ import annotations

import errno
import json
from pathlib import Path

import pytest
from filelock import FileLock, Timeout

from vrx.audit import audit_file, chain
from vrx.errors import ExportError
from vrx.pipeline import signing

RING = [[-85.0, 42.0], [-84.99, 42.0], [-84.99, 42.01], [-85.0, 42.01], [-85.0, 42.0]]


@pytest.mark.parametrize(("raised", "code", "said"), [
    (OSError(errno.EROFS, "Read-only file system"), "export-write", "Read-only file system"),
    (PermissionError(errno.EACCES, "Permission denied"), "export-write", "Permission denied"),
    (OSError(errno.ENOSPC, "No space left on device"), "export-write", "No space left"),
    (Timeout("signed.jsonl"), "export-locked", "another vrx is writing it"),
])
def test_the_reason_is_the_system_s_own(
    raised: Exception, code: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "zones.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [{
        "type": "Feature", "properties": {"RATE_LB_AC": 100},
        "geometry": {"type": "Polygon", "coordinates": [RING]}}]}))

    def refuse(*_: object, **__: object) -> None:
        raise raised

    monkeypatch.setattr(FileLock, "acquire", refuse)
    with pytest.raises(ExportError) as caught:
        signing.sign(
            audit_file(path=path),
            chain.Signature(who="A. Grower", role="grower", accepted={},
                            signed_at="2027-04-15T16:30-06:00"),
            path=tmp_path / signing.NAME)
    assert caught.value.code == code
    assert said in str(caught.value)
    assert not (tmp_path / signing.NAME).exists()
