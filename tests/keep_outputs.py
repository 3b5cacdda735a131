"""Keep of live panels what shows without a kernel: for `jupyter nbconvert --config tests/keep_outputs.py`."""

from traitlets.config import get_config

VIEW = "application/vnd.jupyter.widget-view+json"  # holds a number that is new each time


def still(notebook, resources):
    """Take the live views out of the outputs; their chart and words stay."""
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            output.get("data", {}).pop(VIEW, None)
    return notebook, resources


c = get_config()
c.ExecutePreprocessor.store_widget_state = False
c.Exporter.preprocessors = [still]
