"""Statistics of units against limits: tolerance intervals, capability, charts, outliers, gauge studies."""

from .anova import AnovaLine, CrossedAnova, OneWayAnova, crossed_anova, one_way_anova
from .charts import (
    Chart,
    Factors,
    Signal,
    batch_chart,
    factors,
    individuals_chart,
    short_run_chart,
    western_electric,
)
from .comparison import (
    Equivalence,
    MeanDifference,
    Shift,
    compare_means,
    compare_ranks,
    compare_summaries,
    equivalence,
    over_reference_ambient,
)
from .gauge import GaugeStudy, gauge_study
from .indices import (
    FEWEST_FOR_A_CLAIM,
    Capability,
    Normality,
    bissell_lower_bound,
    capability,
    check_normality,
    clean_units_missing,
    cpk_lower_bound,
    units_for_claim,
    zero_events_bound,
)
from .limits import LimitProposal, propose_limit
from .outliers import EsdStep, GrubbsTest, find_outliers, generalised_esd, grubbs
from .risk import GlobalRisks, global_risks
from .samples import Unanswered, finite
from .tolerance import (
    ToleranceInterval,
    distribution_free_interval,
    k_one_sided,
    k_two_sided,
    needed_units,
    normal_interval,
)
from .trend import Trend, find_trend

__all__ = [
    "FEWEST_FOR_A_CLAIM",
    "AnovaLine",
    "Capability",
    "Chart",
    "CrossedAnova",
    "Equivalence",
    "EsdStep",
    "Factors",
    "GaugeStudy",
    "GlobalRisks",
    "GrubbsTest",
    "LimitProposal",
    "MeanDifference",
    "Normality",
    "OneWayAnova",
    "Shift",
    "Signal",
    "ToleranceInterval",
    "Trend",
    "Unanswered",
    "batch_chart",
    "bissell_lower_bound",
    "capability",
    "check_normality",
    "clean_units_missing",
    "compare_means",
    "compare_ranks",
    "compare_summaries",
    "cpk_lower_bound",
    "crossed_anova",
    "distribution_free_interval",
    "equivalence",
    "factors",
    "find_outliers",
    "find_trend",
    "finite",
    "gauge_study",
    "generalised_esd",
    "global_risks",
    "grubbs",
    "individuals_chart",
    "k_one_sided",
    "k_two_sided",
    "needed_units",
    "normal_interval",
    "one_way_anova",
    "over_reference_ambient",
    "propose_limit",
    "short_run_chart",
    "units_for_claim",
    "western_electric",
    "zero_events_bound",
]
