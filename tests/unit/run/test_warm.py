"""Steps that begin as copies of a process which has loaded the libraries end as those that begin by themselves."""

import signal
import subprocess
import sys
from types import SimpleNamespace

import pytest
from snakemake.benchmark import BenchmarkRecord
from snakemake.script import PythonScript

from evenbore.files.paths import repo_root
from evenbore.run.warm import warm_steps

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="only Linux copies processes safely")


@pytest.fixture
def run(tmp_path, monkeypatch):
    """Function: runs a script's text as Snakemake would a step; `conda_env` as Snakemake gives it."""
    cold = []
    monkeypatch.setattr(PythonScript, "execute_script", lambda self, path, edit=False: cold.append(path))
    monkeypatch.chdir(repo_root())
    warm_steps([], "config/config.yaml")

    def execute(text, conda_env=None):
        script = tmp_path / "step.py"
        script.write_text(text, encoding="utf-8")
        job = SimpleNamespace(
            conda_env=conda_env, container_img=None, env_modules=None, bench_record=BenchmarkRecord()
        )  # fmt: skip
        PythonScript.execute_script(job, str(script))
        return job.bench_record

    execute.cold = cold
    return execute


def test_a_step_begins_with_the_libraries_loaded_and_without_another_steps_traces(run, tmp_path):
    tell = f"import sys, os; open({str(tmp_path / 'told')!r}, 'w').write(f'{{__name__}} {{sys.argv}} '"
    run(f"{tell} + str('numpy' in sys.modules)); sys.modules['left_behind'] = os")
    assert (tmp_path / "told").read_text() == f"__main__ ['{tmp_path / 'step.py'}'] True"
    run(f"{tell} + str('left_behind' in sys.modules))")
    assert (tmp_path / "told").read_text().endswith("False")
    assert run.cold == []


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("import sys; sys.exit(3)", 3),
        ("import sys; sys.exit('in words')", 1),
        ("raise ValueError", 1),
        ("import os; os.kill(os.getpid(), 9)", -signal.SIGKILL),
    ],
)
def test_a_step_that_fails_is_told_as_snakemake_tells_it(run, text, code):
    assert subprocess.run([sys.executable, "-c", text], stderr=subprocess.DEVNULL).returncode == code
    with pytest.raises(subprocess.CalledProcessError) as told:
        run(text)
    assert told.value.returncode == code


def test_the_benchmark_is_of_the_step(run):
    record = run("import time; end = time.process_time() + 0.3\nwhile time.process_time() < end: pass")
    assert 0.3 <= record.cpu_time < 1.0 and record.running_time >= 0.3
    assert 20 < record.max_rss < 1000  # MB: a Python with what it has loaded
    assert len(record.to_tsv(False).split("\t")) == len(BenchmarkRecord.get_header())


def test_with_conda_and_when_the_copied_process_has_died_snakemake_starts_the_step(run):
    run("", conda_env="env")
    assert len(run.cold) == 1
    run("import os; os.kill(os.getppid(), 9)")
    assert len(run.cold) == 1
    run("")
    assert len(run.cold) == 2
