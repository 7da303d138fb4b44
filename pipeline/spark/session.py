"""Starts Spark on this machine, or takes the cluster it is told of. Nothing leaves either, and nothing is fetched.

No web page, no telemetry, no package fetched at run time: what Spark needs is in `pip install "bandaudit[spark]"` and
a Java runtime. Without a cluster, the driver listens on the loopback address only.
"""

import importlib.util
import logging
import os
import shutil
import sys
import tempfile
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import AuditError

if TYPE_CHECKING:
    from pyspark.sql import SparkSession

_NEEDED = ("pyspark", "sqlglot")
_SETTINGS = {
    # Times are UTC in every table, and a number that does not fit is an error, as in the store.
    "spark.sql.session.timeZone": "UTC",
    "spark.sql.ansi.enabled": "true",
    "spark.sql.catalogImplementation": "in-memory",
    # A site called 1 is text, and so is the month 2026-01.
    "spark.sql.sources.partitionColumnTypeInference.enabled": "false",
    "spark.sql.parquet.compression.codec": "zstd",
    # What is written holds patient data: for its owner only.
    "spark.hadoop.fs.permissions.umask-mode": "077",
    "spark.hadoop.mapreduce.fileoutputcommitter.marksuccessfuljobs": "false",
    # Rows of one place are few folders: files are written side by side instead of sorting the rows first.
    "spark.sql.maxConcurrentOutputFileWriters": "64",
    # One bucket is one core's work: Spark runs many at once.
    "spark.executorEnv.POLARS_MAX_THREADS": "1",
    # What comes back to the driver is bounded where it is asked for.
    "spark.driver.maxResultSize": "0",
    "spark.ui.enabled": "false",
    "spark.ui.showConsoleProgress": "false",
    # Spark's messages can hold the value of a cell; a run that breaks off says what broke without them.
    "spark.log.level": "OFF",
}
_LOOPBACK = "127.0.0.1"
_CAUSES_SHOWN = 5
_JAVA = "spark.driver.extraJavaOptions"
# So that nothing is said before `spark.log.level` is heeded.
_LOG = """\
rootLogger.level = off
rootLogger.appenderRef.console.ref = console
appender.console.type = Console
appender.console.name = console
appender.console.target = SYSTEM_ERR
appender.console.layout.type = PatternLayout
appender.console.layout.pattern = %d{HH:mm:ss} %p %c{1}: %m%n%ex
"""


def refuse_without_spark() -> None:
    """Raises AuditError, with what to type, when Spark's packages or a Java runtime are not installed."""
    missing = [name for name in _NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise AuditError(
            f"This command needs Apache Spark, which is not installed here (missing: {', '.join(missing)}). "
            'Install it once: pip install "bandaudit[spark]". Without it, every other command works as before.'
        )
    home = os.environ.get("JAVA_HOME")
    java = shutil.which("java", path=str(Path(home) / "bin")) if home else shutil.which("java")
    if java is None:
        where = f"JAVA_HOME is {home}, but there is no bin/java in it" if home else "there is no java on the PATH"
        raise AuditError(
            f"Apache Spark runs on Java, and none was found: {where}. Install a Java runtime, version 17 or later (on "
            "Debian or Ubuntu: apt-get install openjdk-17-jre-headless), then run the command again."
        )


@contextmanager
def spark_session(master: str | None, settings: Mapping[str, str]) -> Iterator["SparkSession"]:
    """Spark for one command; it is stopped and its temporary files are removed at the end, whatever happens.

    master: a cluster; without one, this machine with all its cores, or what `spark-submit` says where it started us.
    settings: any of Spark's own, over those of the tool. Raises AuditError when Spark is missing or does not start.
    """
    refuse_without_spark()
    warnings.filterwarnings("ignore", message="PySpark does not yet fully support pandas", category=FutureWarning)
    # It would print queries that fail; what went wrong is told by the exception.
    logging.getLogger("SQLQueryContextLogger").disabled = True
    with tempfile.TemporaryDirectory(prefix="bandaudit-spark-") as scratch:
        spark = _started(master, settings, scratch)
        try:
            with errors_in_words():
                yield spark
        finally:
            # Spark may be gone already when Ctrl-C was pressed.
            with suppress(Exception):
                spark.stop()


@contextmanager
def errors_in_words() -> Iterator[None]:
    """Turns what Spark raises into an AuditError without its text."""
    from py4j.protocol import Py4JError, Py4JJavaError
    from pyspark.errors import PySparkException

    try:
        yield
    except (PySparkException, Py4JError) as error:
        name = (error.getCondition() if isinstance(error, PySparkException) else None) or type(error).__name__
        if isinstance(error, Py4JJavaError):
            name = _causes(error.java_exception)
        raise AuditError(
            f"Spark broke off ({name}). Often a worker ran out of memory or disk: give smaller buckets "
            "(--bucket-readings) or more memory (--set spark.driver.memory=8g; on a cluster spark.executor.memory), "
            "and a new folder with --out: what was written is not complete. To see Spark's own messages, which can "
            "hold values of cells: --set spark.log.level=ERROR"
        ) from None


def _half_of_memory_mb() -> int:
    """Half of this machine's memory, for Java; it takes as much only when it needs it. The workers need the rest."""
    try:
        return max(1024, os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 2**21)
    except (AttributeError, ValueError, OSError):
        return 2048


def _quiet(scratch: str) -> Path:
    path = Path(scratch) / "log4j2.properties"
    path.write_text(_LOG, encoding="utf-8")
    return path


def _causes(exception: Any) -> str:
    """The kinds of a Java exception and of what caused it, without what they say."""
    kinds = list[str]()
    while exception is not None and len(kinds) < _CAUSES_SHOWN:
        kinds.append(exception.getClass().getSimpleName())
        exception = exception.getCause()
    return " from ".join(kinds)


def _started(master: str | None, settings: Mapping[str, str], scratch: str) -> "SparkSession":
    from pyspark.errors import PySparkException
    from pyspark.sql import SparkSession

    is_submitted = "PYSPARK_GATEWAY_PORT" in os.environ
    wanted = {**_SETTINGS, "spark.sql.warehouse.dir": f"file:{scratch}/warehouse"}
    if master is None and not is_submitted:
        master = "local[*]"
    if master is not None:
        wanted["spark.master"] = master
    if master is not None and master.startswith("local"):
        wanted |= {
            "spark.driver.bindAddress": _LOOPBACK,
            "spark.driver.host": _LOOPBACK,
            "spark.local.dir": scratch,
            "spark.driver.memory": f"{_half_of_memory_mb()}m",
        }
        java = f"-Djava.io.tmpdir={scratch} -Dlog4j.configurationFile=file:{_quiet(scratch)}"
        settings = {**settings, _JAVA: f"{java} {settings.get(_JAVA, '')}".strip()}
        os.environ.setdefault("SPARK_LOCAL_IP", _LOOPBACK)
        os.environ.setdefault("PYSPARK_PYTHON", sys.executable)
    builder = SparkSession.builder.appName("bandaudit")
    for name, value in (wanted | dict(settings)).items():
        builder = builder.config(name, value)
    try:
        return builder.getOrCreate()
    except (PySparkException, OSError) as error:
        raise AuditError(
            "Apache Spark did not start. Its own words stand above, or in the log of the cluster. Check that java is "
            "version 17 or later (java -version), the address given with --master, and the settings given with --set."
        ) from error
