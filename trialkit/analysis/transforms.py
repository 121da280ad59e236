"""Which scale each variable is analysed on, and why."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.responses import Assessed, FloatArray, PlotPlan
from trialkit.analysis.result import make_table
from trialkit.inference.transforms import choose_count_transform, choose_percent_transform
from trialkit.problems import Problem, warning
from trialkit.trial import Kind, Settings, Transform, Trial, Variable
