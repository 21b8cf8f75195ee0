"""Parallel blockout of dental casts for removable partial denture frameworks.

The verbs of the command line, for Python::

    import blockout

    scan = blockout.read_scan("scan.stl")
    prepared = blockout.prepare(scan)
    path = blockout.PathSettings(anterior_tilt_deg=4, lateral_tilt_deg=-2)
    survey = blockout.survey(prepared.cast, path=path)

Names are loaded when first used, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOMES = {
    "BlockoutError": ("blockout.errors", "BlockoutError"),
    "Case": ("blockout.case.case", "Case"),
    "CastSettings": ("blockout.case.case", "CastSettings"),
    "Cast": ("blockout.cast.cast", "Cast"),
    "CastFrame": ("blockout.cast.frame", "CastFrame"),
    "CheckError": ("blockout.errors", "CheckError"),
    "InputError": ("blockout.errors", "InputError"),
    "Mesh": ("blockout.mesh", "Mesh"),
    "ParallelSettings": ("blockout.case.settings", "ParallelSettings"),
    "PathSettings": ("blockout.case.settings", "PathSettings"),
    "PrepareSettings": ("blockout.case.settings", "PrepareSettings"),
    "SurveySettings": ("blockout.case.settings", "SurveySettings"),
    "block_out": ("blockout.job.builds", "block_out"),
    "build": ("blockout.job.builds", "build_case"),
    "build_model": ("blockout.model.build", "build_model"),
    "case_schema": ("blockout.case.schema", "case_schema"),
    "demo": ("blockout.job.demonstration", "demo"),
    "export": ("blockout.job.exports", "export_model"),
    "insertion_path": ("blockout.surveying.path", "insertion_path"),
    "inspect": ("blockout.cast.inspect", "inspect_mesh"),
    "load_cast": ("blockout.job.casts", "load_cast"),
    "parallel_blockout": ("blockout.wax.parallel", "parallel_blockout"),
    "prepare": ("blockout.cast.prepare", "prepare"),
    "prepare_file": ("blockout.job.casts", "prepare_file"),
    "read_case": ("blockout.case.case", "read_case"),
    "read_cast": ("blockout.cast.record", "read_cast"),
    "read_scan": ("blockout.cast.scan", "read_scan"),
    "solidity": ("blockout.mesh", "solidity"),
    "survey": ("blockout.surveying.survey", "survey"),
    "survey_file": ("blockout.job.surveys", "survey_file"),
    "write_case": ("blockout.case.edit", "write_case"),
    "write_cast": ("blockout.cast.record", "write_cast"),
}
"""Where each public name lives."""

if TYPE_CHECKING:
    from blockout.case.case import Case as Case
    from blockout.case.case import CastSettings as CastSettings
    from blockout.case.case import read_case as read_case
    from blockout.case.edit import write_case as write_case
    from blockout.case.schema import case_schema as case_schema
    from blockout.case.settings import ParallelSettings as ParallelSettings
    from blockout.case.settings import PathSettings as PathSettings
    from blockout.case.settings import PrepareSettings as PrepareSettings
    from blockout.case.settings import SurveySettings as SurveySettings
    from blockout.cast.cast import Cast as Cast
    from blockout.cast.frame import CastFrame as CastFrame
    from blockout.cast.inspect import inspect_mesh as inspect
    from blockout.cast.prepare import prepare as prepare
    from blockout.cast.record import read_cast as read_cast
    from blockout.cast.record import write_cast as write_cast
    from blockout.cast.scan import read_scan as read_scan
    from blockout.errors import BlockoutError as BlockoutError
    from blockout.errors import CheckError as CheckError
    from blockout.errors import InputError as InputError
    from blockout.job.builds import block_out as block_out
    from blockout.job.builds import build_case as build
    from blockout.job.casts import load_cast as load_cast
    from blockout.job.casts import prepare_file as prepare_file
    from blockout.job.demonstration import demo as demo
    from blockout.job.exports import export_model as export
    from blockout.job.surveys import survey_file as survey_file
    from blockout.mesh import Mesh as Mesh
    from blockout.mesh import solidity as solidity
    from blockout.model.build import build_model as build_model
    from blockout.surveying.path import insertion_path as insertion_path
    from blockout.surveying.survey import survey as survey
    from blockout.wax.parallel import parallel_blockout as parallel_blockout

__all__ = [
    "BlockoutError",
    "Case",
    "Cast",
    "CastFrame",
    "CastSettings",
    "CheckError",
    "InputError",
    "Mesh",
    "ParallelSettings",
    "PathSettings",
    "PrepareSettings",
    "SurveySettings",
    "__version__",
    "block_out",
    "build",
    "build_model",
    "case_schema",
    "demo",
    "export",
    "insertion_path",
    "inspect",
    "load_cast",
    "parallel_blockout",
    "prepare",
    "prepare_file",
    "read_case",
    "read_cast",
    "read_scan",
    "solidity",
    "survey",
    "survey_file",
    "write_case",
    "write_cast",
]


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'blockout' has no attribute {name!r}")
    module, attribute = home
    return getattr(import_module(module), attribute)


def __dir__() -> list[str]:
    return sorted(__all__)
