"""The fuzzer's whole files and targets, the awkward table, and a stopwatch around a refusal."""

from __future__ import annotations

import importlib
import importlib.util
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from vrx.audit import AuditResult, audit_file
from vrx.errors import VrxError

LIMIT_S = 20.0  # no hang; a loaded machine is several times slower than an idle one
FUZZ = Path(__file__).resolve().parents[2] / "scripts" / "fuzz"


with pytest.MonkeyPatch.context() as _patch:
    _patch.syspath_prepend(str(FUZZ))
    _TARGETS = importlib.import_module("targets")
_SPEC = importlib.util.spec_from_file_location(
    "hostile_awkward", Path(__file__).with_name("awkward.py"))
assert _SPEC is not None
assert _SPEC.loader is not None
_AWKWARD = importlib.util.module_from_spec(_SPEC)
sys.modules["hostile_awkward"] = _AWKWARD
_SPEC.loader.exec_module(_AWKWARD)


@pytest.fixture(scope="session")
def fuzz() -> ModuleType:
    """scripts/fuzz/targets.py, which needs no fuzzer."""
    return _TARGETS


@pytest.fixture
def refused() -> Callable[..., VrxError]:
    """Calls a reader, which must refuse with one of the codes, a reason and a hint, soon."""

    def call(read: Callable[..., object], *codes: str, **given: Any) -> VrxError:
        begun = time.monotonic()
        with pytest.raises(VrxError) as caught:
            read(**given)
        assert time.monotonic() - begun < LIMIT_S
        said = {caught.value.code} | {finding.code for finding in caught.value.findings}
        assert said & set(codes), said
        assert len(str(caught.value)) < 2000
        assert caught.value.where or caught.value.findings
        return caught.value

    return call


@pytest.fixture
def faulted() -> Callable[..., AuditResult]:
    """Audits a lone file, which must have a fault that says a word, soon."""

    def call(path: Path, word: str) -> AuditResult:
        begun = time.monotonic()
        result = audit_file(path=path)
        assert time.monotonic() - begun < LIMIT_S
        assert any(word in f"{one.code} {one.what}" for one in result.faults), result.faults
        return result

    return call
