"""What is left of the promises when processes, disks, clocks and networks fail?

    python -m tests.faults [--kills 200] [--database sqlite|postgres] [--clients 6]

Real `nursery serve` processes (two on one database), several shops' programs over real HTTP that
reserve, confirm and cancel all the time, and kill -9 of one server ("worker"), of both ("server"),
or of all processes of the database ("database", PostgreSQL; on SQLite the database lives in the
servers). No kill comes before a reservation or a confirm is under way where it strikes; how many
requests were is told. A shop sends a request again under the same key until it has an answer.

Then a full disk (on PostgreSQL: of everything, and of the write-ahead log alone), a clock that
jumps, a network cut between server and PostgreSQL, answers that are lost after their commit, jobs
whose server is killed, backups while shops write, and two planners at once. A fault that this
machine cannot play is printed as not run, with the reason.

Judged by the books alone, in plain SQL (`nursery.checking`, and `tests.faults.judging`): every
promise that a shop was told of is there as it was told, nothing is sold twice, the ledger adds up.
One JSON line a fault; the last is the summary.
"""
