"""Says why there is no PDF, on the terminal and in a note."""

from charscreen.files import write_text
from charscreen.job import job, tell
from charscreen.printing import NO_PDF

with job(snakemake.log[0]):
    write_text(snakemake.output.note, NO_PDF + "\n")
    tell(NO_PDF)
