"""What a call refuses, as faults or as text."""

import pytest

from forecast.errors import Refused


def faults_of(call, *args, **cells):
    """Return the faults for which a call refuses."""
    with pytest.raises(Refused) as caught:
        call(*args, **cells)
    return caught.value.faults


def refused(call, *args, **cells):
    """Return the message with which a call refuses."""
    return str(Refused(faults_of(call, *args, **cells)))


def refused_lines(call, *args, **cells):
    """Return the lines of the message with which a call refuses."""
    return refused(call, *args, **cells).splitlines()
