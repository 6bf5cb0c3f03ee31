"""The report: a page, a workbook, sheets of paper. Each part is imported from its own module:
printing needs a third of a second without what the page needs, and over a second with it."""
