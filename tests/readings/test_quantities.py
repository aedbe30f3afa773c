from decimal import Decimal

import pytest

from qa_tools.readings.quantities import number_of


@pytest.mark.parametrize("mark", [".", ","])
def test_a_leading_zero_is_no_group_of_thousands(mark: str) -> None:
    """ "0,118" is a hundred and eighteen thousandths or nothing; never 118."""
    other = "," if mark == "." else "."
    assert number_of(f"0{mark}118", mark) == Decimal("0.118")
    with pytest.raises(ValueError, match="not a number with decimal mark"):
        number_of(f"0{other}118", mark)
