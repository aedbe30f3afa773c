"""What is said of readings is kept in order, and joined as sentences are."""

from qa_tools.readings.sift import Sayings, slip_or_real


def test_what_is_said_of_a_reading() -> None:
    said = Sayings(3)
    assert said.texts().values == [""]
    said.add(2, "far from the others")
    said.add(2, "no date")
    said.add(0, "A slip or real?")
    said.add(0, "Weighed twice.")
    assert [said.texts()[n] for n in range(3)] == [
        "A slip or real? Weighed twice.",
        "",
        "far from the others; no date",
    ]
    assert said.about().tolist() == [True, False, True]


def test_slip_or_real() -> None:
    assert [slip_or_real(word) for word in ("Slip", "real!", "a typo")] == ["slip", "real", ""]
