"""The report: everything a person looks at afterwards, in one HTML file."""

from limbward.report.build import build_report
from limbward.report.coverage import Sample, measure_coverage
from limbward.report.material import (
    ClockAudit,
    Corona,
    Coverage,
    Enhanced,
    Frame,
    Material,
    Product,
    Reach,
)

__all__ = [
    "ClockAudit",
    "Corona",
    "Coverage",
    "Enhanced",
    "Frame",
    "Material",
    "Product",
    "Reach",
    "Sample",
    "build_report",
    "measure_coverage",
]
