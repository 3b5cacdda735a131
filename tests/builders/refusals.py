"""What a call refuses, as text."""

import pytest

from forecast.errors import Refused


def refused(call, *args, **cells):
    """Return the message with which a call refuses."""
    with pytest.raises(Refused) as caught:
        call(*args, **cells)
    return str(caught.value)
