"""Sign and time-stamp a case's tag manifest with standard tools, and check both.

The tag manifest names the SHA-256 of every list of the bag, and through them of every byte of its payload. So
a signature over this one file is a signature over the case. OpenSSH signs and checks (`ssh-keygen -Y`),
OpenSSL checks a time stamp (RFC 3161): there is no cryptography of ours here, and nothing is fetched.
"""

import shutil
import subprocess
from pathlib import Path

from ingest.contract.errors import UnderairError

TAG_MANIFEST = "tagmanifest-sha256.txt"
SIGNATURE = f"{TAG_MANIFEST}.sig"
TIME_STAMP = f"{TAG_MANIFEST}.tsr"
NAMESPACE = "underair-case"
"""A signature of the same key for another purpose does not sign a case (PROTOCOL.sshsig, namespace)."""
WAIT_S = 300  # somebody types a passphrase or touches a hardware key


class SigningProblem(UnderairError):
    """A signature that cannot be made, or a tool that is missing."""


def _tool(name: str, package: str) -> str:
    found = shutil.which(name)
    if found is None:
        raise SigningProblem(
            f"{name} is missing on this machine: install it (Debian: apt-get install {package})"
        )
    return found


def _run(call: list[str], given: Path | None = None) -> tuple[int, str]:
    text = None if given is None else given.read_bytes()
    done = subprocess.run(call, input=text, capture_output=True, check=False, timeout=WAIT_S)  # noqa: S603
    return done.returncode, (done.stdout + done.stderr).decode(errors="replace").strip()


def sign(case: Path, key: Path) -> None:
    """Sign a case's tag manifest with a private key of OpenSSH (or the public half of one in an agent).

    Raises `SigningProblem` when ssh-keygen is missing or refuses, in its words.
    """
    tool = _tool("ssh-keygen", "openssh-client")
    (case / SIGNATURE).unlink(missing_ok=True)
    call = [tool, "-q", "-Y", "sign", "-f", str(key), "-n", NAMESPACE, str(case / TAG_MANIFEST)]
    code, said = _run(call)
    if code or not (case / SIGNATURE).is_file():
        raise SigningProblem(f"cannot sign {case / TAG_MANIFEST} with {key}: {said or 'ssh-keygen refused'}")


def check_signature(case: Path, signers: Path | None) -> tuple[str, list[str]]:
    """Check the signature beside a case; return sentences, and its faults.

    `signers`: an allowed-signers file (ssh-keygen(1), "ALLOWED SIGNERS"). Without it nobody knows whose key
    it was, only whether the signature belongs to this tag manifest.
    """
    signature, manifest = case / SIGNATURE, case / TAG_MANIFEST
    if not signature.is_file():
        faults = [f"{SIGNATURE}: missing, and an allowed signer was asked for"] if signers else []
        return "not signed", faults
    tool = _tool("ssh-keygen", "openssh-client")
    if signers is None:
        how, holds = ["check-novalidate"], "signed; give --signers FILE to check by whom"
    else:
        code, said = _run([tool, "-Y", "find-principals", "-s", str(signature), "-f", str(signers)])
        if code:
            return "signer not allowed", [
                f"{SIGNATURE}: by none of the signers that {signers} allows: {said}"
            ]
        who = said.splitlines()[0]
        how, holds = ["verify", "-f", str(signers), "-I", who], f"signed by {who}"
    code, said = _run([tool, "-Y", *how, "-n", NAMESPACE, "-s", str(signature)], manifest)
    if code:
        return "signature does not hold", [f"{SIGNATURE}: not a signature of this tag manifest: {said}"]
    return holds, []


def check_time_stamp(case: Path, authority: Path | None) -> tuple[str, list[str]]:
    """Check the RFC 3161 time stamp beside a case; return sentences, and its faults.

    `authority`: the time-stamping authority's root certificates (PEM).
    """
    stamp = case / TIME_STAMP
    if not stamp.is_file():
        faults = [f"{TIME_STAMP}: missing, and a time-stamping authority was named"] if authority else []
        return "no time stamp", faults
    if authority is None:
        return "time stamp there; give --tsa FILE to check it", []
    tool = _tool("openssl", "openssl")
    of = ["-data", str(case / TAG_MANIFEST), "-in", str(stamp), "-CAfile", str(authority)]
    code, said = _run([tool, "ts", "-verify", *of])
    if code:
        last = said.splitlines()[-1] if said else "openssl refused"
        return "time stamp does not hold", [f"{TIME_STAMP}: not a time stamp of this tag manifest: {last}"]
    _, text = _run([tool, "ts", "-reply", "-in", str(stamp), "-text"])
    when = next((line.partition(":")[2].strip() for line in text.splitlines() if "Time stamp:" in line), "")
    return f"time stamp holds: {when}", []
