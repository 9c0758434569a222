"""The list of result columns: complete, unambiguous, and holding what the documented tables promise."""

import pytest

from evenbore.facts.columns import TABLES, names

# The documented columns of the tables that outside programs read; further ones may stand beside them.
PROMISED = {
    "recordings": "recording instrument session take dynamic articulation direction state status reason duration_s"
    " sample_rate_hz snr_db clipped_fraction notes_expected notes_found chunk reverb_s hum_db lufs",
    "notes": "recording instrument session take dynamic articulation direction state step written_note midi onset_s"
    " offset_s confidence f0_hz f0_se_cents cents cents_sd cents_drift level_dbfs level_dba centroid_hz"
    " centroid_order rolloff_hz tilt_db_per_octave odd_even_db tristimulus_1 tristimulus_2 tristimulus_3"
    " high_band_db hnr_db attack_ms settle_ms transition_ms snr_db flags",
    "harmonics": "recording step harmonic frequency_hz level_db above_noise_db",
    "bands": "recording step band_hz level_db above_noise_db",
    "band_profiles": "instrument state dynamic session band_hz level_db se_db group",
    "setups": "group session band_hz response_db response_se_db",
    "comparability": "session instrument group links link_se_db",
    "note_profiles": "instrument state dynamic midi written_note register measure value se low high n_takes group",
    "criteria": "criterion unit better chain_dependent just_noticeable meaning source",
    "instruments": "instrument state criterion value low high unit n_takes group reason",
    "pairs": "instrument_a instrument_b criterion group difference low high p p_adjusted unit just_noticeable"
    " verdict takes_needed reason",
    "ranking": "priorities group state instrument gate rank_median rank_low rank_high p_first utility",
    "rank_probabilities": "priorities group instrument rank probability",
    "sensitivity": "priorities instrument criterion weight_change p_first",
    "value": "instrument total_cost quality low high on_front",
    "clusters": "instrument cluster stability pc1 pc2",
    "tuning_advice": "instrument state tune_on_note aim_cents overall_offset_cents advice",
    "findings": "instrument state kind first_note last_note n_notes size unit confidence region region_low_note"
    " region_high_note explanation",
}
# A name that ends so has that unit.
ENDINGS = {"_hz": "Hz", "_s": "s", "_ms": "ms", "_cents": "cents", "_db": "dB", "_dbfs": "dB re full scale"}


@pytest.mark.parametrize("table", PROMISED)
def test_every_promised_column_is_there(table):
    assert set(PROMISED[table].split()) <= set(names(table))


@pytest.mark.parametrize("table", TABLES)
def test_no_column_twice(table):
    assert len(set(names(table))) == len(names(table))


@pytest.mark.parametrize("table", TABLES)
def test_columns_are_described(table):
    for column in TABLES[table]:
        assert column.dtype in ("str", "int", "float"), column
        assert len(column.meaning) > 5, column
        # centroid_order and lufs say their unit themselves; the sums of harmonics say what their dB refer to
        endings = [unit for ending, unit in ENDINGS.items() if column.name.endswith(ending)]
        assert not endings or endings[0] in (column.unit, column.unit.removesuffix(" re full scale")), column
        assert column.dtype != "str" or not column.unit, column


def test_same_name_means_the_same_type_everywhere():
    types = {}
    for table, columns in TABLES.items():
        for column in columns:
            assert types.setdefault(column.name, column.dtype) == column.dtype, (table, column.name)
