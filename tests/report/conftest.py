"""Invented jobs and their pages, made once."""

import importlib.util
import sys
from pathlib import Path

import pytest

from vrx.report import page, page_views


@pytest.fixture(scope="session")
def builders():
    path = Path(__file__).with_name("builders.py")
    spec = importlib.util.spec_from_file_location("vrx_report_builders", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def job(builders):
    return builders.make_job()


@pytest.fixture(scope="session")
def crowded(builders):
    return builders.make_job(polygons=builders.crowded_zones(builders.boundary()), cell_m=10.0)


@pytest.fixture(scope="session")
def written(builders):
    def write(job, **more):
        given = {"run": "0007", "cautions": builders.CAUTIONS, "files": builders.FILES} | more
        return page(page_views(job, **given))

    return write


@pytest.fixture(scope="session")
def text(written, job):
    return written(job)
