"""Names of the tables of an Analysis, and their columns in order."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

Kind = Literal["text", "number", "flag"]

_RESPONSE = "variable measure days_after:number"
_DAY = "variable days_after:number"

#: One line a table: ``name`` is text, ``name:number`` a number, ``name:flag`` true, false or None.
_TABLES = {
    # What the record has promised from its first format on.
    "anova": f"{_RESPONSE} transform source df:number sum_sq:number mean_sq:number F:number "
    "p:number p_randomised:number",
    "means": f"{_RESPONSE} treatment n:number mean:number mean_analysed:number se:number "
    "lower:number upper:number back_transformed:number letters",
    "comparisons": f"{_RESPONSE} a b difference:number se:number p_adjusted:number method "
    "lower:number upper:number different:flag",
    "control": f"{_DAY} treatment method percent:number lower:number upper:number reason "
    "chosen:flag p_untreated:number p_target:number p_reference:number note",
    "pest_days": "variable plot treatment pest_days:number days:number per_day:number "
    "bridged:number days_above:number pest_days_above:number reason",
    "control_methods": "variable method other before:number p_before:number width:number "
    "width_other:number times:number recommendation",
    "persistence": "variable treatment target:number knockdown_percent:number "
    "peak_percent:number peak_day:number holds_until_day:number lower:number upper:number "
    "censored:flag rebound_percent:number last_percent:number last_day:number reason",
    # The fit of each response, and how well its assumptions held.
    "course": f"{_DAY} treatment n:number mean:number lower:number upper:number interval",
    "responses": f"{_RESPONSE} transform comparison n_plots:number n_missing:number "
    "grand_mean:number cv_percent:number df_treatment:number df_error:number ms_error:number "
    "F:number p:number p_randomised:number relative_efficiency:number "
    "significant_difference:number detectable_difference:number detectable_percent:number "
    "recommendation note",
    "choices": "variable transform slope:number cells:number rule power:number "
    "power_lower:number power_upper:number recommendation",
    "diagnostics": f"{_RESPONSE} check statistic:number p:number verdict plot",
    "contrasts": f"{_RESPONSE} contrast estimate:number se:number df:number p:number "
    "lower:number upper:number note",
    "factor_means": f"{_RESPONSE} factor level n:number mean:number mean_analysed:number "
    "se:number letters",
    "factor_differences": f"{_RESPONSE} between se:number df:number relative_efficiency:number "
    "reason",
    "covariate": f"{_DAY} n:number slope:number se:number p_slope:number p_equal_slopes:number "
    "df_error:number F:number p:number precision:number p_main:number p_sub:number "
    "p_interaction:number note",
    "adjusted_means": f"{_DAY} treatment mean_adjusted:number se:number lower:number upper:number "
    "back_transformed:number",
    "recovered": f"{_RESPONSE} treatment mean_analysed:number se:number lower:number upper:number "
    "back_transformed:number",
    "recovered_tests": f"{_RESPONSE} variance_blocks:number variance_plots:number "
    "recovery:number df:number df_error:number F:number p:number reason",
    "course_tests": "variable source test df:number df_error:number F:number p:number "
    "chosen:flag note",
    "samples": f"{_DAY} plots:number samples:number variance_plots:number "
    "variance_samples:number se_mean:number se_one_more_sample:number se_one_more_block:number",
    "count_models": f"{_DAY} treatment mean:number lower:number upper:number ratio:number "
    "ratio_lower:number ratio_upper:number p:number dispersion:number reason model "
    "odds:number odds_lower:number odds_upper:number hits:number examined:number note",
    "count_tests": f"{_DAY} model df:number df_error:number F:number deviance:number p:number "
    "dispersion:number note source",
    # The efficacy story.
    "reductions": "variable measure treatment mean:number percent:number lower:number "
    "upper:number p:number reason harm_class",
    "days_above": "variable treatment threshold:number span:number days:number lower:number "
    "upper:number difference:number difference_lower:number difference_upper:number reason",
    "natural_enemies": f"{_DAY} treatment percent:number lower:number upper:number p:number "
    "harm_class pest_per_enemy:number reason pest_per_enemy_lower:number "
    "pest_per_enemy_upper:number pest_per_enemy_p:number",
    "resurgence": "variable enemy treatment enemy_day:number enemy_percent:number "
    "pest_day:number pest_percent:number lower:number upper:number",
    "carrier": f"{_DAY} treatment carrier percent:number carrier_percent:number "
    "added_percent:number lower:number upper:number p:number reason",
    "mixtures": f"{_DAY} treatment parts expected:number observed:number difference:number "
    "lower:number upper:number p:number verdict reason",
    "mixture_periods": "variable treatment parts days:number adjustment:number expected:number "
    "observed:number difference:number lower:number upper:number p:number verdict reason",
    "rates": f"{_DAY} treatment full control:number control_full:number difference:number "
    "lower:number upper:number margin:number not_inferior:flag reason",
    "rate_persistence": "variable treatment full holds_until_day:number "
    "full_holds_until_day:number difference:number lower:number upper:number p:number note",
    "rate_start": f"{_DAY} treatment full level start_lowest:number start_highest:number "
    "ratio:number ratio_lower:number ratio_upper:number points:number lower:number upper:number "
    "p:number note reason",
    "persistence_differences": "variable question a b value_a:number value_b:number "
    "difference:number lower:number upper:number p:number p_adjusted:number bound reason",
    "neighbours": f"{_DAY} question before:number slope:number p:number n:number note",
    "loss": "variable pest basis slope:number lower:number upper:number p:number "
    "p_lack_of_fit:number share_explained:number n:number",
    "money": "variable treatment mean:number gross:number cost:number net:number gain:number "
    "lower:number upper:number chance_of_paying:number break_even_price:number "
    "break_even_cost:number reason",
    "programmes": "treatment group first second",
    "block_control": f"{_DAY} block treatment method percent:number reason",
    "residuals": f"{_RESPONSE} plot fitted:number residual:number studentized:number",
}


def _columns(line: str) -> Mapping[str, Kind]:
    made: dict[str, Kind] = {}
    for item in line.split():
        name, _, kind = item.partition(":")
        made[name] = kind or "text"  # type: ignore[assignment]
    return MappingProxyType(made)


#: Columns of every table, in order, each with what it holds.
COLUMNS: Mapping[str, Mapping[str, Kind]] = MappingProxyType(
    {name: _columns(line) for name, line in _TABLES.items()}
)
#: Tables that are too long for the record and follow from the others.
NOT_RECORDED = frozenset({"residuals", "block_control"})
