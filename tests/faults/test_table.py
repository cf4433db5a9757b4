"""The thirty faults, each with the only outcome that is acceptable, and the tests that inject it for real.

A test is named after its row: ``test_08_...`` belongs to row 8.  In every row nothing is lost, nothing is claimed
that is not so, the rest goes on, and a finding names the fault.  This file keeps the list true: every test named
here exists, and every numbered test is named here.
"""

from __future__ import annotations

import ast
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent

CARD, DISK, AROUND = "test_card_faults", "test_destination_faults", "test_surroundings"
STOPS, CUT, DAEMON = "test_stops", "test_power_cut", "test_daemon_faults"


@dataclass(frozen=True, slots=True)
class Row:
    fault: str
    outcome: str
    tests: tuple[str, ...]  # module.what comes after "test_NN_"


ROWS = {
    1: Row("card pulled in mid-file", "no half file, short of the policy, goes on when it returns", (
        f"{CARD}.card_folder_vanishes_in_the_middle_and_returns", f"{CARD}.card_device_goes_away")),
    2: Row("card unmounted lazily, or an empty folder", "never an empty card that meets the policy", (
        f"{CARD}.lazy_unmount_leaves_an_empty_folder", f"{CARD}.empty_folder_is_no_card_and_meets_no_policy")),
    3: Row("another card under the same mount point", "a new card, nothing of the old one's claims", (
        f"{CARD}.another_card_under_the_same_mount_point", f"{CARD}.reformatted_with_the_same_names_sizes_and_times",
        f"{CARD}.a_card_is_mounted_over_the_folder_that_is_being_listed",
        f"{CARD}.the_next_card_of_a_slot_is_not_read_as_the_one_before")),
    4: Row("two cards with the same names", "both kept, nothing overwritten", (
        f"{CARD}.two_cards_with_the_same_names",)),
    5: Row("a file that cannot be read, for ever", "that file fails with its offset, the others do not", (
        f"{CARD}.one_file_unreadable_for_ever", f"{CARD}.bad_region_of_a_real_volume")),
    6: Row("a read error, once", "a good copy, the repetition noted", (f"{CARD}.one_bad_read_then_good",)),
    7: Row("a read that ends early", "the length is missed, no copy", (f"{CARD}.file_ends_early",)),
    8: Row("a bit flips in the first reading of the card", "the second finds it, or it counts as read once", (
        f"{CARD}.a_bit_flips_in_the_first_reading_of_a_real_volume",
        f"{CARD}.flip_in_the_first_reading_is_found_by_the_second",
        f"{CARD}.without_a_second_reading_the_ledger_says_once",
        f"{CARD}.a_second_reading_that_fails_is_told_until_one_succeeds",
        f"{CARD}.real_volume_whose_device_gives_other_bytes")),
    9: Row("a file on the card still grows or changes", "put off, then copied whole", (
        f"{CARD}.a_file_that_grows_is_taken_whole_later", f"{CARD}.a_file_replaced_with_equal_size_while_it_is_read",
        f"{CARD}.a_clip_that_is_still_being_recorded")),
    10: Row("a folder that cannot be listed", "the listing is not whole, never a shorter one", (
        f"{CARD}.a_folder_that_cannot_be_listed", f"{CARD}.a_folder_without_permission")),
    11: Row("a slow card", "no limit ends a card that still delivers", (f"{CARD}.a_slow_card_is_no_silent_one",)),
    12: Row("a card that hangs", "seen in time, others go on", (
        f"{CARD}.a_card_that_hangs_does_not_hold_up_another", f"{CARD}.cards_that_hang_give_their_turn_to_others")),
    13: Row("a destination full in mid-file", "no half file, it waits for room, the other one goes on", (
        f"{DISK}.full_in_mid_file_then_room_again",)),
    14: Row("too little room, or too large for FAT, known before", "refused before the first byte", (
        f"{DISK}.a_card_too_large_for_the_room_goes_as_far_as_it_does",
        f"{CUT}.a_file_of_six_gibibytes_is_refused_before_its_first_byte")),
    15: Row("a destination read-only, or turning so", "short of the policy, the other one goes on", (
        f"{DISK}.mounted_read_only", f"{DISK}.turns_read_only_by_itself")),
    16: Row("a destination unplugged or swapped", "not one byte where it does not belong", (
        f"{DISK}.unplugged_the_mount_point_stays", f"{DISK}.comes_back_empty_or_as_another_disk",
        f"{DISK}.one_that_hangs_holds_up_nobody",
        f"{DISK}.a_copy_of_it_is_mounted_in_its_place",
        f"{DISK}.a_copy_that_is_there_between_two_looks_is_not_written_to",
        f"{DISK}.a_copy_in_its_place_counts_by_no_reading_of_the_original",
        f"{DISK}.swapped_for_another_destination_in_the_middle", f"{DISK}.unplugged_while_it_is_read_again")),
    17: Row("a bit flips in the stored file", "the read-back finds it; twice, and the disk is left alone", (
        f"{DISK}.a_bit_flips_on_the_medium_between_flush_and_read_back",
        f"{DISK}.a_disk_that_spoils_everything_is_left_alone")),
    18: Row("a write acknowledged and not done", "the read-back finds it", (
        f"{DISK}.a_write_acknowledged_and_not_done",)),
    19: Row("short writes", "the file is right", (
        f"{DISK}.short_writes", f"{DISK}.the_kernel_writes_short_and_then_on")),
    20: Row("a flush that fails once", "the copy is void and made again from the card", (
        f"{DISK}.a_flush_fails_once",)),
    21: Row("a rename that fails", "the final name is absent or right", (
        f"{DISK}.a_rename_fails", f"{DISK}.renames_fail_for_ever")),
    22: Row("the name is taken by a different file", "it stays, ours lies beside it", (
        f"{DISK}.a_foreign_file_under_the_final_name",
        f"{DISK}.our_own_finished_file_without_its_fact_is_read_and_kept")),
    23: Row("names that fall together on the destination", "seen before, both kept", (
        f"{DISK}.names_that_collide_on_a_folding_disk",)),
    24: Row("killed, or stopped politely, at any moment", "claims stay true, the next start finishes", (
        f"{STOPS}.killed_at_random_moments", f"{STOPS}.killed_a_thousand_times",
        f"{STOPS}.killed_before_a_system_call", f"{STOPS}.killed_before_every_system_call",
        f"{DAEMON}.a_polite_stop_is_quick_also_while_waiting")),
    25: Row("a power cut", "every claim holds after the restart, no temporary file is left that no plan lists", (
        f"{DISK}.power_cut", f"{DISK}.power_cut_at_every_flush",
        f"{DISK}.a_plan_outlives_a_removal_that_is_not_flushed", f"{CUT}.a_copy_without_the_second_flush_is_lost",
        f"{CUT}.everything_claimed_stands_after_the_cut",
        f"{CUT}.cut_in_the_middle_every_claim_is_true_and_the_rest_follows",
        f"{CUT}.cut_in_the_middle_over_and_over")),
    26: Row("the machine sleeps", "it goes on; no limit counts the time asleep", (f"{STOPS}.a_machine_that_sleeps",)),
    27: Row("the clock jumps, wrong zone, FAT's local time", "the same card stays the same card", (
        f"{AROUND}.the_clock_jumps", f"{AROUND}.another_time_zone_on_a_fat_card_is_the_same_card")),
    28: Row("watch events lost", "the look alone finds the card", (f"{AROUND}.a_card_is_found_without_any_event",)),
    29: Row("a damaged, old or doubly used ledger", "no claim is made up; the second daemon refuses", (
        f"{AROUND}.a_damaged_ledger_claims_nothing", f"{AROUND}.two_at_once",
        f"{AROUND}.a_ledger_restored_from_an_old_copy", f"{DAEMON}.two_daemons_at_once")),
    30: Row("no memory, no handles, no room for ledger or log", "a file fails or a clean stop; no log, no claims", (
        f"{AROUND}.no_handles_no_memory_no_large_files", f"{AROUND}.a_memory_limit_of_the_system",
        f"{AROUND}.the_ledger_cannot_be_written", f"{AROUND}.a_full_disk_under_the_ledger",
        f"{DAEMON}.a_log_that_cannot_be_written_stops_claims", f"{DAEMON}.a_log_that_fills_up_ends_a_running_daemon",
        f"{DAEMON}.the_cart_disk_under_ledger_and_log_is_full")),
}


def numbered() -> set[str]:
    """Every test of this folder that carries a row's number, as ``module.test_NN_words``."""
    return {
        f"{path.stem}.{node.name}"
        for path in HERE.glob("test_*.py")
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_") and node.name[5:7].isdigit()
    }


def test_the_table_names_every_test_and_every_test_it_names_is_there() -> None:
    assert sorted(ROWS) == list(range(1, 31))
    named = {
        f"{test.partition('.')[0]}.test_{number:02}_{test.partition('.')[2]}"
        for number, row in ROWS.items() for test in row.tests
    }
    assert named == numbered()
