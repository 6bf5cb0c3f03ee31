# Which pages are printed: none where the machine lacks the library that lays out text. Then one
# job says so, and what else is asked for is made all the same.

from charscreen.printing import can_print

NO_PDF_NOTE = f"{RESULTS}/logs/no_pdf.txt"
CAN_PRINT = can_print()


def printed(*files):
    """The PDF files a target asks for, or the note that says why there are none."""
    return list(files) if CAN_PRINT else [NO_PDF_NOTE]


rule tell_no_pdf:
    input:
        code=graph.code_of("tell_no_pdf"),
    output:
        note=NO_PDF_NOTE,
    log:
        f"{RESULTS}/logs/tell_no_pdf.log",
    benchmark:
        f"{RESULTS}/benchmarks/tell_no_pdf.tsv"
    conda:
        "../../environment.yml"
    message:
        "Looking for the library that lays out text on paper"
    script:
        "../../scripts/tell_no_pdf.py"
