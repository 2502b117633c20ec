"""The config: typed models of its sections, and how it is read from YAML."""

from limbward.config.base import Day, Instant, PathText, Section, Up
from limbward.config.bound import bind
from limbward.config.clock import TimeReference, TimingConfig
from limbward.config.frames import BodyRule, FrameRule, matches
from limbward.config.landscape import LandscapeConfig
from limbward.config.merge import AlignConfig, MergeConfig
from limbward.config.pictures import (
    ENHANCEMENT_NAME,
    ComposeConfig,
    EnhanceConfig,
    StepConfig,
    check_filter,
)
from limbward.config.root import Config, with_jobs
from limbward.config.run import ReportConfig, RunConfig
from limbward.config.sequences import (
    ClipsConfig,
    FilmConfig,
    ProminencesConfig,
    SheetConfig,
    StripConfig,
)
from limbward.config.site import InputConfig, SiteConfig, SkyConfig

__all__ = [
    "ENHANCEMENT_NAME",
    "AlignConfig",
    "BodyRule",
    "ClipsConfig",
    "ComposeConfig",
    "Config",
    "Day",
    "EnhanceConfig",
    "FilmConfig",
    "FrameRule",
    "InputConfig",
    "Instant",
    "LandscapeConfig",
    "MergeConfig",
    "PathText",
    "ProminencesConfig",
    "ReportConfig",
    "RunConfig",
    "Section",
    "SheetConfig",
    "SiteConfig",
    "SkyConfig",
    "StepConfig",
    "StripConfig",
    "TimeReference",
    "TimingConfig",
    "Up",
    "bind",
    "check_filter",
    "matches",
    "with_jobs",
]
