"""Fifty cases that a network of counts must survive: what is required of each, and the tests that hold it to it.

The cases are common practice of the trade, gathered for this project; where a case rests on a published
rule, the source stands beside the check that is named.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

TESTS = Path(__file__).parent.parent
# Number, case, required behaviour | the tests, as file::test, those of one file parted by commas.
CASES = """
1 two-way road on one pair of tubes: axles of both senses are told apart | tubes/test_decoder.py::test_two_vehicles_meet_on_the_tubes,test_usual_two_way_road
2 one-way couple: proposed as a pair, no split rule on a one-way, the sum over the pair | roads/test_sections.py::test_one_way_couples_are_proposed_and_grids_of_local_streets_are_not jobs/test_map_content.py::test_the_pairs_of_the_balance_reach_the_map_with_their_sum
3 dual carriageway: a station is of one carriageway; two-way only where both are counted | roads/test_place.py::test_position_and_bearing_that_name_two_carriageways_are_ambiguous balance/test_corridor.py::test_a_carriageway_without_counts_leaves_the_balance_open
4 roundabout: balanced as one junction | roads/test_junctions.py::test_a_roundabout_with_four_roads_has_four_legs balance/test_assess.py::test_a_roundabout_is_one_junction
5 slip road: its one sense, never snapped against its bearing | roads/test_place.py::test_a_lone_one_way_against_the_bearing_waits jobs/test_real_streets.py::test_a_one_way_station_has_its_one_sense_and_no_total
6 side road between stations: a bound, not an equality | balance/test_corridor.py::test_a_step_with_an_uncounted_side_road_cannot_be_told,test_a_step_is_explained_by_what_the_side_road_brings
7 car park or depot: a declared generator carries no equation | balance/test_assess.py::test_a_generator_carries_no_equation roads/test_junctions.py::test_a_declared_generator_ends_a_bend
8 temporary closure: its days are left out with their reason | annual/test_estimate.py::test_a_closed_day_is_left_out_with_its_reason counts/test_checks.py::test_context_is_told_for_short_counts_and_for_a_permanents_own_link
9 counter moved during a survey: epochs with a geometry each | edge/test_remaining_cases.py::test_a_counter_moved_during_its_survey_has_an_epoch_a_place_of_the_tubes
10 tubes laid anew: each part is decoded with its own spacing, never the whole with one | edge/test_remaining_cases.py::test_tubes_laid_anew_are_never_decoded_as_one
11 senses swapped: found from the tides, proposed, never edited | balance/test_tides.py::test_directions_that_turn_round_after_an_outage_are_found,test_a_swap_among_three_in_series_is_named
12 clock drift: offsets at both ends taken off evenly, stamps in the file untouched | cli/test_tubes_commands.py::test_a_clock_that_drifted_is_set_right_evenly balance/test_tides.py::test_a_clock_an_hour_off_is_found
13 wrong half of the day, year or date form: found or refused, never guessed | counts/test_checks.py::test_a_clock_twelve_hours_off counts/test_intake.py::test_wrong_clocks_and_validity formats/test_counts_csv.py::test_day_first_is_stated_and_never_guessed
14 change of the clocks: 23 and 25 hours, the repeated hour by order, the skipped one refused | store/test_civil_cells.py::test_the_day_has_23_or_25_hours_when_clocks_change counts/test_intake.py::test_the_repeated_hour_is_told_by_order,test_an_impossible_local_time_is_refused
15 leap day and leap year: 366 days, each of them counts | edge/test_remaining_cases.py::test_a_leap_year_has_366_days_and_each_counts
16 midnight: an end stamp of 24:00 or 00:00 belongs to the day before | counts/test_intake.py::test_end_stamps_are_read_across_clock_changes formats/test_layout_proposals.py::test_class_matrix_decimal_comma_and_24_00 store/test_civil_cells.py::test_a_count_across_midnight_belongs_to_no_day
17 survey over the end of a month or year: each day has its own date and factor | edge/test_remaining_cases.py::test_a_survey_over_new_year_lies_in_both_years
18 split survey: stays kept apart, a day type averaged before the week | counts/test_days.py::test_two_stays_are_kept_apart counts/test_checks.py::test_gaps_of_a_permanent_station
19 part days at both ends: no low day totals, one composite day | counts/test_days.py::test_monday_to_monday_gives_a_composite_day,test_part_days_are_recognised annual/test_estimate.py::test_first_and_last_day_make_one_composite_day
20 different years at a junction: brought to one year with growth and its error | annual/test_estimate.py::test_last_year_s_count_grows_with_the_permanents
21 growth from two counts: none without a basis | annual/test_estimate.py::test_without_growth_an_old_count_stays_unadjusted
22 negative values: refused with their row; -1 is missing only where declared | cli/test_refusals.py::test_counts_that_cannot_be_taken formats/test_counts_csv.py::test_minus_one_is_missing_only_where_declared
23 counter that wraps at 16 bits: above what lanes carry is flagged, a negative difference refused | counts/test_checks.py::test_more_than_the_lanes_can_carry edge/test_remaining_cases.py::test_a_counter_at_its_last_16_bit_number_is_flagged
24 capped bins: the plateau is found | counts/test_checks.py::test_a_plateau
25 zero against missing: three states, never mixed | counts/test_intake.py::test_missing_stays_missing store/test_civil_cells.py::test_an_observed_zero_stays_zero,test_a_missing_hour_is_null_and_so_is_its_day
26 coordinates in the wrong order: refused with the likely slip | roads/test_place.py::test_far_stations_are_refused_with_the_likely_slip
27 mixed reference systems: declared, checked against where they may lie | formats/test_lines.py::test_lines_where_their_crs_cannot_be,test_a_missing_crs_is_refused_and_can_be_stated roads/test_graph.py::test_web_mercator_feet_and_degrees_are_converted
28 feet, miles, inches: units are stated or unknown, never assumed | formats/test_gmns.py::test_speeds_without_a_unit_are_unknown published/test_tmg_records.py::test_a_speed_record_by_hand_in_quarters
29 overpass, service road beside: name and bearing decide, or a person | roads/test_place.py::test_the_road_name_decides_at_a_corner,test_the_bearing_decides_at_a_corner roads/test_audit.py::test_a_crossing_without_a_node
30 station on a junction: placed on one link, with a warning | roads/test_place.py::test_a_station_on_a_junction_is_warned
31 ids twice, one id in two places: refused; two ids in one place stay two | cli/test_refusals.py::test_stations_that_cannot_be_taken edge/test_remaining_cases.py::test_two_ids_in_one_place_stay_two_stations
32 the same file twice, files that overlap: taken once; what differs is missing and flagged | cli/test_refusals.py::test_the_same_file_twice_changes_nothing cli/test_overlaps.py::test_the_same_counts_under_another_name_are_counted_once,test_files_that_differ_are_flagged_and_their_periods_are_missing
33 unusual vehicles: a class of the rest is kept | schemes/test_scheme_reader.py::test_each_limit_has_a_source_and_each_scheme_its_confusion tubes/test_verify.py::test_shares_have_verdicts
34 stop and go over the tubes: a braking vehicle holds together | tubes/test_decoder.py::test_a_braking_vehicle_holds_together
35 parked on a tube: the tubes part company, and it is said | tubes/test_verify.py::test_shares_have_verdicts counts/test_checks.py::test_an_outage_of_zeros
36 one tube cut: axles alone, no class, no sense | tubes/test_decoder.py::test_one_tube_cut_leaves_axles_alone
37 against a one-way: refused with the row, never turned round | counts/test_intake.py::test_one_way_stations counts/test_directions.py::test_a_one_way_road_has_one_sense
38 very low volume: chance decides, not per cent | counts/test_checks.py::test_quiet_nights_are_notes_at_most balance/test_assess.py::test_quiet_streets_agree_as_often_as_chance_lets_them
39 wide roads, many lanes: unkind roads lose accuracy, and the figures say how much | tubes/test_decoder.py::test_unkind_roads
40 holiday in the week, event: a day type of its own, visible | counts/test_days.py::test_a_holiday_is_another_day_type annual/test_estimate.py::test_public_holidays_are_matched_by_date_but_have_no_textbook_share
41 level crossing, ferry: zeros with a reason are no outage | counts/test_checks.py::test_zeros_that_have_a_reason_are_not_told
42 locale: decimal comma, semicolon, byte order mark, line ends, accents | formats/test_csv_table.py::test_the_same_rows_in_many_dresses,test_decimal_comma_only_beside_semicolons
43 words for a direction: one canonical sense, ambiguity names both candidates | counts/test_directions.py::test_words_that_are_understood,test_an_ambiguous_word_names_both_candidates
44 a "northbound" road that heads east: the station's own bearing counts | counts/test_directions.py::test_a_compass_point_belongs_to_one_sense_within_60_degrees
45 two-way compared with one-way: the basis is part of every figure | jobs/test_jobs.py::test_published_figures_carry_all_they_must balance/test_assess.py::test_a_total_without_directions_enters_no_junction
46 permanents with missing months: estimated from what is there, wider | annual/test_estimate.py::test_a_permanent_with_a_month_missing_is_estimated_from_all_its_days,test_missing_days_widen_a_permanent_s_interval
47 station retired, road gone or renamed: history stays | jobs/test_jobs.py::test_retiring_keeps_the_counts,test_what_was_counted_after_a_station_s_end_is_not_used roads/test_replace.py::test_split_merged_reversed_and_removed
48 works or weather counted as growth: context is told | counts/test_checks.py::test_weather_that_moves_every_station_is_a_note,test_a_closure_that_names_no_link_closes_every_road_and_says_so
49 class scheme changed between years: the scheme stays with every record | edge/test_remaining_cases.py::test_a_change_of_class_scheme_stays_with_the_records
50 start or end stamps: stated, proposed with its reason, never assumed | formats/test_counts_csv.py::test_wide_by_hour formats/test_layout_proposals.py::test_wide_by_hour_with_end_stamps_and_lines_above
"""
LINES = CASES.strip().splitlines()


def names_in(file):
    tree = ast.parse((TESTS / file).read_text(encoding="utf-8"))
    return {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}


def test_there_are_fifty():
    assert [int(line.split(" ", 1)[0]) for line in LINES] == list(range(1, 51))


@pytest.mark.parametrize("line", LINES, ids=[line.split(":")[0] for line in LINES])
def test_each_case_states_what_is_required_and_is_held_by_tests_that_exist(line):
    said, _, held = line.partition(" | ")
    assert re.match(r"\d+ .+: .+", said)
    listed = [part.split("::") for part in held.split()]
    assert listed
    for file, names in listed:
        missing = set(names.split(",")) - names_in(file)
        assert not missing, f"{file} has no {missing}"
