"""The order of the work: the only room that knows it. Each verb here is a command too.

``casts``, ``surveys``, ``builds`` and ``exports`` follow one another; ``demonstration`` runs them
all; ``choices`` looks for the path, ``records`` puts it on the cast and tells
how sure it is; ``comparisons`` holds scans against the plan, ``trials`` a framework
against the cast; ``many`` builds a day's cases, each in a process of its own.
"""

from blockout.job.builds import BUILD_FILES, Built, block_out, build_case
from blockout.job.casts import (
    Inspected,
    PreparedFile,
    cast_of_case,
    inspect_file,
    load_cast,
    prepare_file,
)
from blockout.job.choices import CHOICE_FILES, CHOICES, Chosen, choose_path_of
from blockout.job.comparisons import compare_files
from blockout.job.demonstration import demo
from blockout.job.desk import SUMMARY, Stopwatch, summary_of
from blockout.job.exports import Exported, Printed, export_model, print_model
from blockout.job.many import ManyBuilt, build_many
from blockout.job.records import record_on_cast, reposition_cast, sureness_of
from blockout.job.reports import Reported, report_folder
from blockout.job.surveys import SURVEY, SURVEY_FILES, SurveyedFile, survey_file
from blockout.job.trials import try_framework

__all__ = [
    "BUILD_FILES",
    "CHOICES",
    "CHOICE_FILES",
    "SUMMARY",
    "SURVEY",
    "SURVEY_FILES",
    "Built",
    "Chosen",
    "Exported",
    "Inspected",
    "ManyBuilt",
    "PreparedFile",
    "Printed",
    "Reported",
    "Stopwatch",
    "SurveyedFile",
    "block_out",
    "build_case",
    "build_many",
    "cast_of_case",
    "choose_path_of",
    "compare_files",
    "demo",
    "export_model",
    "inspect_file",
    "load_cast",
    "prepare_file",
    "print_model",
    "record_on_cast",
    "report_folder",
    "reposition_cast",
    "summary_of",
    "sureness_of",
    "survey_file",
    "try_framework",
]
