# Answers queries on an embedded installation: HOW FOLDER QUERY... records QUERY... (the latter on each source's file).
# HOW is `copy` where no program runs: the copy is mended as after a crash, and the original stays as it was left. It is
# `live` beside running programs, since a file that is written cannot be copied. `watch` ends when the first query answers
# more than 0.
import shutil, sqlite3, sys, tempfile, time
from pathlib import Path


def opened(how, file, into):
    if how != "copy":
        return sqlite3.connect(f"file:{file}?mode=ro", uri=True, timeout=60)
    for end in ("", "-wal"):
        if Path(f"{file}{end}").exists():
            shutil.copy(f"{file}{end}", into)
    return sqlite3.connect(Path(into) / file.name)


def answer(database, queries):
    for query in queries:
        for row in database.execute(query):
            sys.stdout.write("|".join("" if value is None else str(value) for value in row) + "\n")


def watch(database, query):
    while not database.execute(query).fetchone()[0] > 0:
        time.sleep(0.0002)


def main(how, folder, *queries):
    if how == "watch":
        return watch(opened(how, Path(folder) / "crossfoot.db", None), queries[0])
    split = queries.index("records")
    with tempfile.TemporaryDirectory() as into:
        database = opened(how, Path(folder) / "crossfoot.db", into)
        answer(database, queries[:split])
        if queries[split + 1:]:
            containers = database.execute("SELECT container FROM source WHERE container IS NOT NULL ORDER BY number")
            for (container,) in containers.fetchall():
                answer(opened(how, Path(folder) / "sources" / container, into), queries[split + 1:])


main(*sys.argv[1:])
