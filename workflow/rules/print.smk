# Which pages are printed: none where the machine lacks the library that lays out text. Then one
# job says so, and what else is asked for is made all the same.

from charscreen.printing import can_print

CAN_PRINT = can_print()
# Asked for in place of the PDF files.
NO_PDF_NOTE = [] if CAN_PRINT else [f"{RESULTS}/logs/no_pdf.txt"]


rule tell_no_pdf:
    input:
        code=graph.code_of("tell_no_pdf"),
    output:
        note=f"{RESULTS}/logs/no_pdf.txt",
    log:
        f"{RESULTS}/logs/tell_no_pdf.log",
    benchmark:
        f"{RESULTS}/benchmarks/tell_no_pdf.tsv"
    conda:
        "../../environment.yml"
    resources:
        mem_mb=1000,
        runtime=20,
    message:
        "Looking for the library that lays out text on paper"
    script:
        "../../scripts/tell_no_pdf.py"
