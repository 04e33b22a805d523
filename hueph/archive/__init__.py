"""The evidence archive: append-only, hash-chained records of what was measured, and their originals.

::

    chain  records                      rules and shapes, no database
    schema  connect  originals  store   tables, places, files; `Archive`
    privacy  pictures  program          what goes into a record ...
    keeping  annotating                 ... and makes one
    recompute  verify                   checking
    bag  crate  table  export importing moving between machines
    report_*  reporting  showing        pages, PDF, text
"""

from hueph._optional import require

require("sqlalchemy", purpose="keeping an archive", extra="archive")
