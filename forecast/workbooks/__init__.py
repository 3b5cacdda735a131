"""Parts of a workbook's file, written and changed in place."""
