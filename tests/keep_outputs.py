"""Keep of live panels what shows without a kernel: for `jupyter nbconvert --config tests/keep_outputs.py`."""

from traitlets.config import get_config

VIEW = "application/vnd.jupyter.widget-view+json"  # holds a number that is new each time


def still(notebook, resources):
    """Take the live views out of the outputs, and when a cell ran; their chart and words stay."""
    for cell in notebook.cells:
        cell.metadata.pop("execution", None)
        for output in cell.get("outputs", []):
            output.get("data", {}).pop(VIEW, None)
    return notebook, resources


c = get_config()
c.ExecutePreprocessor.store_widget_state = False
c.ExecutePreprocessor.record_timing = False
c.Exporter.preprocessors = [still]
