"""The demo under Slurm, started here on the loopback address, gives what a local run gives.

Needs root, Debian's packages slurm-wlm and munge, and the engine's plugin for Slurm (the group
cluster of pyproject.toml). /etc/slurm/slurm.conf is a link into the test's own folder while it runs
(the plugin hides SLURM_CONF from the jobs) and is taken away at the end.
"""

import importlib.util
import os
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

import pytest
from faults import ROOT, content, finish

SYSTEM_CONF = Path("/etc/slurm/slurm.conf")
PROGRAMS = ("munged", "mungekey", "slurmctld", "slurmd", "sbatch", "squeue", "sinfo")
CONF = """\
ClusterName=screen
SlurmctldHost={host}(127.0.0.1)
SlurmctldPort={port}
SlurmdPort={node_port}
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket={folder}/munge.socket
CredType=cred/munge
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/spool
SlurmctldPidFile={folder}/slurmctld.pid
SlurmdPidFile={folder}/slurmd.pid
SlurmctldLogFile={folder}/slurmctld.log
SlurmdLogFile={folder}/slurmd.log
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/none
AccountingStorageType=accounting_storage/none
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU
ReturnToService=2
MinJobAge=3600
MpiDefault=none
SwitchType=switch/none
NodeName={host} NodeAddr=127.0.0.1 CPUs={cpus} RealMemory={memory} State=UNKNOWN
PartitionName=all Nodes={host} Default=YES MaxTime=INFINITE State=UP
"""

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.geteuid() != 0, reason="starting Slurm here needs root"),
    pytest.mark.skipif(
        any(shutil.which(name) is None for name in PROGRAMS),
        reason="Slurm is not installed (Debian: slurm-wlm and munge)",
    ),
    pytest.mark.skipif(SYSTEM_CONF.exists(), reason=f"{SYSTEM_CONF} is there: a real cluster?"),
    pytest.mark.skipif(
        importlib.util.find_spec("snakemake_executor_plugin_slurm") is None,
        reason="the plugin for Slurm is not installed (docs/cluster.md)",
    ),
]


def free_port() -> int:
    """A port that nobody listens on just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture
def slurm(tmp_path):
    """A cluster of this one machine; its folder."""
    folder = tmp_path / "slurm"
    for name in ("state", "spool"):
        (folder / name).mkdir(parents=True)
    key, munge = folder / "munge.key", folder / "munge.socket"
    subprocess.run(["mungekey", "--create", "--keyfile", str(key)], check=True)
    host = socket.gethostname().split(".")[0]
    conf = folder / "slurm.conf"
    conf.write_text(
        CONF.format(
            host=host,
            port=free_port(),
            node_port=free_port(),
            folder=folder,
            cpus=os.cpu_count(),
            memory=4000,
        )
    )
    commands = [
        ["munged", "--foreground", "--force", f"--key-file={key}", f"--socket={munge}"]
        + [f"--{n}-file={folder}/munge.{n}" for n in ("pid", "log", "seed")],
        ["slurmctld", "-D", "-f", str(conf)],
        ["slurmd", "-D", "-f", str(conf), "-N", host],
    ]
    running = []
    SYSTEM_CONF.unlink(missing_ok=True)  # a link that leads nowhere, from a test that was killed
    SYSTEM_CONF.symlink_to(conf)
    try:
        with (folder / "daemons.log").open("w") as log:
            for command in commands:
                running.append(subprocess.Popen(command, stdout=log, stderr=log))
                time.sleep(1)
        for _ in range(60):
            said = subprocess.run(["sinfo", "-h", "-o", "%T"], capture_output=True, text=True)
            if said.stdout.strip() == "idle":
                break
            time.sleep(0.5)
        else:
            logs = "".join(path.read_text()[-1500:] for path in folder.glob("*.log"))
            pytest.fail(f"Slurm did not come up: {said.stdout}{said.stderr}\n{logs}")
        yield folder
    finally:
        SYSTEM_CONF.unlink()
        for process in reversed(running):
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()


def test_a_cluster_gives_the_results_of_one_machine(demo, slurm, tmp_path):
    screen = tmp_path / "screen"
    shutil.copytree(ROOT / "config", screen / "config")
    began = time.monotonic()
    status, said = finish(
        screen,
        *("--profile", str(ROOT / "workflow" / "profiles" / "slurm"), "--jobs", "2"),
        # This small cluster keeps no accounts.
        *("--slurm-no-account", "--slurm-status-command", "squeue"),
        *("--slurm-init-seconds-before-status-checks", "2"),
        "all",
    )
    assert status == 0, said[-6000:]
    print(f"under Slurm: {time.monotonic() - began:.0f} s")
    ran = (slurm / "slurmctld.log").read_text()
    assert ran.count("_slurm_rpc_submit_batch_job") >= 15
    assert content(screen / "results") == content(demo.results)
    # Jobs load the workflow again: they neither took the lock away nor left one behind.
    again, said = finish(screen, "all")
    assert again == 0, said
    assert "Nothing to do" in said
