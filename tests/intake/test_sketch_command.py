"""`bandaudit sketch-mapping` as a person meets it: written once, corrected, and then the folder loads."""

from pathlib import Path

import pytest

from pipeline.cli import main
from tests.intake.extracts import load, query, stored
from tests.intake.mapping.hospital import write

Capsys = pytest.CaptureFixture[str]


def hospital(folder: Path) -> Path:
    """Five files of two stays; day and month can be told apart in one of them only."""
    return write(
        folder,
        spells__csv="Spell;Pseudo;Arrived;Left\nA1;P1;05.01.2026 08:00;19.01.2026 12:00\nA2;P2;06.01.2026 08:00;NULL\n",
        obs_2026__csv=(
            "Spell\tWhen\tSats\tDevice\tFlow\n"
            "A1\t05/01/2026 09:00\t0,91\tSpecs\t2,0\n"
            "A1\t05/01/2026 10:00\t0,93\tVenturi 28%\t4,0\n"
            "A2\t06/01/2026 11:00\t0,97\tMagic hat\t1,5\n"
        ).encode("utf-16"),
        ordered__csv="Spell,Ordered,Low,High\nA1,2026-01-05 08:30,88,92\nA2,2026-01-06 09:00,94,98\n",
        bloods__csv="Spell,Taken,Kind,pCO2,pH\nA1,2026-01-05 11:00,ABG,45,7.36\nA1,2026-01-06 12:00,VBG,52,7.31\n",
    )


def corrected(text: str) -> str:
    """What a person who knows the export does: says which number is the day, and what the unknown word means."""
    lines = text.replace('# time_format = ["%d/%m/%Y %H:%M"]', 'time_format = ["%d/%m/%Y %H:%M"]').splitlines()
    return "\n".join('"Magic hat" = "other"' if line.startswith('# "Magic hat"') else line for line in lines)


def test_a_sketch_is_written_corrected_and_loaded(tmp_path: Path, capsys: Capsys) -> None:
    folder, out = hospital(tmp_path / "own"), tmp_path / "mapping.toml"
    assert main(["sketch-mapping", str(folder), "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert f"bandaudit load {folder} --mapping {out} --store FILE" in said

    # As it was written, the times of two files cannot be read: nothing is guessed.
    as_guessed = load(capsys, folder, tmp_path / "guessed", "--mapping", str(out))
    assert "obs_2026.csv: readings, column taken_at: 3 x the cell does not hold a date" in as_guessed.out

    out.write_text(corrected(out.read_text(encoding="utf-8")), encoding="utf-8")
    outcome = load(capsys, folder, tmp_path / "s", "--mapping", str(out))
    assert outcome.code == 0, outcome.err
    assert "Kept aside" not in outcome.out
    assert query(tmp_path / "s", "select count(*) from rejected_rows") == [(0,)]
    assert [row["spo2_percent"] for row in stored(tmp_path / "s", "readings")] == [91, 93, 97]
    devices = [(row["device"], row["flow_l_min"], row["fio2_fraction"]) for row in stored(tmp_path / "s", "devices")]
    assert devices == [("nasal_cannula", 2, None), ("air_entrainment_mask", 4, 0.28), ("other", 1.5, None)]
    gases = [(row["sample_type"], row["pco2_kpa"]) for row in stored(tmp_path / "s", "gases")]
    # 45 and 52 mmHg by 0.133322387415 kPa (NIST SP 811), to six decimals.
    assert gases == [("arterial", 5.999507), ("venous", 6.932764)]


def test_a_sketch_never_overwrites_and_without_out_goes_to_the_screen(tmp_path: Path, capsys: Capsys) -> None:
    folder, out = hospital(tmp_path / "own"), tmp_path / "mapping.toml"
    out.write_text("mine")
    assert main(["sketch-mapping", str(folder), "--out", str(out)]) == 2
    said = capsys.readouterr()
    assert "never overwritten" in said.err
    assert "--out" in said.err
    assert out.read_text() == "mine"
    assert main(["sketch-mapping", str(folder)]) == 0
    assert "[readings.columns]" in capsys.readouterr().out


def test_a_sketch_of_no_folder_or_into_no_folder_is_refused(tmp_path: Path, capsys: Capsys) -> None:
    assert main(["sketch-mapping", str(tmp_path / "nowhere")]) == 2
    assert "cannot be read" in capsys.readouterr().err
    assert main(["sketch-mapping", str(hospital(tmp_path / "own")), "--out", str(tmp_path / "no" / "m.toml")]) == 2
    assert "cannot be written" in capsys.readouterr().err
