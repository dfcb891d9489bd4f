"""Every known way in which forecasts go wrong, and the tests that hold us to it.

A row is a fault; its tests are named by module and function. None of these may yield a wrong number, an
error of the server, or a lost last good forecast; the last is checked in `doors.test_fetching`.
"""

from __future__ import annotations

import importlib

import pytest

FAULTS: dict[str, tuple[str, ...]] = {
    "null, NaN, -9999, -100000, 99999": (
        "sources.test_odd_answers.test_codes_for_missing_are_missing_and_never_a_number",
        "sources.test_csv_profile.test_missing_is_never_a_number",
        "sources.test_covjson.test_missing_stays_missing",
    ),
    "a layer {} or [], no unit": (
        "sources.test_odd_answers.test_nothing_at_all_is_refused_by_every_source",
        "sources.test_odd_answers.test_a_variable_in_an_unknown_unit_is_left_out_and_said",
        "sources.test_asking.test_grid_layers_are_expanded_each_by_its_own_intervals",
    ),
    "members differ by variable, one all null": (
        "sources.test_odd_answers.test_members_that_differ_by_variable_are_missing_there",
    ),
    "control stale": ("sources.test_odd_answers.test_a_control_of_another_run_is_said",),
    "too few members": (
        "sources.test_odd_profiles.test_too_few_members_give_no_count_and_never_none_of_them",
        "sources.test_odd_profiles.test_an_ensemble_without_any_value_is_refused",
        "sources.test_odd_answers.test_an_ensemble_of_one_is_refused",
    ),
    "another elevation or place than wanted, sign of the longitude lost": (
        "sources.test_odd_answers.test_another_elevation_than_was_wanted_is_said",
        "sources.test_odd_answers.test_a_place_beyond_the_cell_is_said",
        "sources.test_odd_answers.test_an_answer_that_cannot_be_trusted_is_refused",
    ),
    "units: °C K °F, km/h m/s kt mph, ring above": (
        "sources.test_odd_answers.test_units_are_read_from_the_answer",
    ),
    "units: cm or mm of snow": ("sources.test_odd_answers.test_new_snow_is_depth_in_metres",),
    "units: ft or m, hPa or Pa on the levels": (
        "sources.test_covjson.test_pressures_in_hpa_and_pa",
        "sources.test_covjson.test_heights_above_the_sea_in_feet",
        "sources.test_csv_profile.test_altitudes_in_feet_and_fahrenheit_and_no_member",
    ),
    "sums of the hour before, of the period after, of own intervals": (
        "sources.test_asking.test_its_sums_are_of_the_hour_before",
        "sources.test_asking.test_point_forecast_takes_the_shortest_period_and_adds_none_twice",
        "sources.test_asking.test_grid_layers_are_expanded_each_by_its_own_intervals",
    ),
    "steps of 1 h, then 3 h, then 6 h": (
        "sources.test_odd_profiles.test_steps_that_grow_longer_are_neither_added_twice_nor_spread",
        "test_evaluate.test_instants_far_apart_are_not_joined",
    ),
    "clocks change inside the window": (
        "sources.test_odd_answers.test_a_change_of_the_clocks_moves_nothing",
        "test_evaluate.test_clock_change_inside_the_window",
    ),
    "local times without a zone": (
        "sources.test_odd_answers.test_an_answer_that_cannot_be_trusted_is_refused",
        "sources.test_csv_profile.test_a_fault_is_named_by_line_and_column",
    ),
    "old run": ("sources.test_odd_answers.test_an_old_run_is_said",),
    "run changes between two questions": (
        "sources.test_odd_answers.test_a_run_that_changes_between_two_questions_is_said",
    ),
    "window shorter than the trip": (
        "sources.test_odd_answers.test_a_forecast_shorter_than_the_trip_is_said",
        "test_evaluate.test_a_forecast_that_ends_early_leaves_the_later_stages_open",
    ),
    "a seam between models": ("sources.test_odd_answers.test_a_seam_between_two_models_is_said",),
    "freezing level: inversion, all below, all above, exactly 0 °C": (
        "sources.test_odd_profiles.test_the_height_of_zero_from_a_services_profile",
        "sources.test_odd_profiles.test_a_profile_without_a_zero_leaves_the_flag_asked_and_not_known",
        "test_rules.test_freezing_level_from_the_profile",
    ),
    "freezing level: levels below the terrain": (
        "test_rules.test_levels_under_the_models_ground_are_not_used",
    ),
    "200 with HTML, cut JSON, an error in the stream, 500, 502, 503, connection cut, 429 with a wait": (
        "sources.test_faults.test_a_passing_fault_is_tried_again",
        "sources.test_faults.test_a_fault_that_stays_is_given_up",
        "sources.test_faults.test_broken_answers_are_never_kept",
        "doors.test_fetching.test_a_failing_service_loses_nothing",
    ),
    "400, 403 as HTML, 404, 422": ("sources.test_faults.test_a_refusal_is_not_tried_again_and_says_why",),
    "429": (
        "sources.test_faults.test_after_a_limit_the_service_is_left_alone",
        "sources.test_faults.test_how_long_a_limit_lasts",
        "sources.test_faults.test_retry_after_is_obeyed",
    ),
    "203": ("sources.test_faults.test_a_service_about_to_go_away_still_answers",),
    "301": (
        "sources.test_faults.test_a_redirect_within_the_service_is_followed",
        "sources.test_faults.test_a_redirect_elsewhere_is_not_followed",
    ),
    "304": ("sources.test_faults.test_what_has_run_out_is_asked_for_with_a_condition",),
    "a slow body, an endless one": (
        "sources.test_faults.test_a_slow_service_is_given_up_in_time",
        "sources.test_faults.test_an_answer_too_large_is_not_read",
        "doors.test_fetching.test_pages_do_not_wait_for_a_slow_service",
    ),
    "gzip": ("sources.test_asking.test_each_service_gives_a_forecast_and_is_told_who_asks",),
    "CoverageJSON: addresses, tiles, huge or wrong shapes, no referencing, many z, NaN": (
        "sources.test_covjson.test_what_cannot_be_read_is_refused_by_its_part",
        "sources.test_covjson.test_numbers_that_json_does_not_have_are_refused",
        "sources.test_covjson.test_too_large_a_file_is_refused",
        "sources.test_covjson.test_the_type_of_a_collection_is_checked_in_each_of_its_members",
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_has_its_tests(fault: str) -> None:
    for name in FAULTS[fault]:
        module, _, function = name.rpartition(".")
        assert callable(getattr(importlib.import_module(f"tests.conditions.{module}"), function))
