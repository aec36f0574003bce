"""The proof of a finished shoot, read back from its folder."""

import msgspec

from nearpair.errors import NewerVersionError, ShootError
from nearpair.proof.model import Proof, decode
from nearpair.shoot.folder import ShootFolder


def proof_of(shoot: ShootFolder) -> Proof:
    """The proof as it was written. Raises ShootError if there is none, or it cannot be read.

    A proof that a newer nearpair wrote in a form of its own raises NewerVersionError.
    """
    remedy = f"Finish that shoot first: nearpair proof {shoot.root}"
    try:
        return decode(shoot.proof_json.read_bytes())
    except FileNotFoundError as error:
        raise ShootError(f"{shoot.root}: this shoot has no proof yet.", remedy) from error
    except OSError as error:
        raise ShootError(f"{shoot.proof_json}: cannot be read ({error.strerror}).", remedy) from error
    except NewerVersionError as error:
        message = error.message.replace("This proof", str(shoot.proof_json), 1)
        raise NewerVersionError(message, error.remedy) from error
    except msgspec.DecodeError as error:
        raise ShootError(f"{shoot.proof_json}: is no proof ({error}).", remedy) from error
