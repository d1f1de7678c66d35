"""The network in eight bits: a graph that was quantised when its model folder was shipped, for scoring on a CPU.

`int8.xml` and `int8.bin` beside the weights are OpenVINO's open form of a graph: text and plain numbers, no pickle. The
card holds their hashes and that of the weights they were made from, so that a graph of other weights is never asked. It
gives the same three answers as :class:`jointwise.models.network.Asked`: columns, masks' shares, features. Making one
needs NNCF (`bench/transfer/quantise.py`), running one does not.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from jointwise.joints.errors import InputError

KEY: Final = "int8"
"""Under what the card speaks of it."""
GRAPH, VALUES = "int8.xml", "int8.bin"


@dataclass(frozen=True)
class Int8Graph:
    """A quantised graph as it was read, for one sub-volume at a time.

    Args:
        graph: what its layers are, XML.
        values: their weights.
        masks: whether it gives shares of masks between columns and features.
    """

    graph: bytes = field(repr=False)
    values: bytes = field(repr=False)
    masks: bool

    def model(self, shape: tuple[int, ...]) -> Any:
        """OpenVINO's model (`openvino.Model`) for a sub-volume (1, z, y, x) of that shape.

        Raises:
            InputError: it was made for another shape.
        """
        import openvino as ov

        model = ov.Core().read_model(self.graph, self.values)
        made_for = tuple(model.inputs[0].shape)
        if made_for != (1, *shape):
            raise InputError(
                f"expected sub-volumes of shape {made_for[1:]}, for which the graph in {GRAPH} was made, found "
                f"{shape}; give runtime=openvino"
            )
        return model

    def places(self, masks: bool, features: bool) -> tuple[int, ...]:
        """Which of its answers those of `Asked(network, masks, features)` are."""
        last = 2 if self.masks else 1
        return (0, *([1] if masks else []), *([last] if features else []))


def read_int8(folder: Path, data: Mapping[str, Any]) -> Int8Graph | None:
    """The quantised graph of a model folder; None where its card speaks of none.

    Args:
        folder: the model folder.
        data: its card.

    Raises:
        InputError: the files are missing or damaged, or were made from other weights than the folder's.
    """
    told = data.get(KEY)
    if told is None:
        return None
    mend = "run bench/transfer/quantise.py on it again, or take the folder whole from where it was written"
    try:
        if told["weights_sha256"] != data["weights_sha256"]:
            raise ValueError("it was made from other weights")
        graph, values = (folder / GRAPH).read_bytes(), (folder / VALUES).read_bytes()
        if [sha256(part).hexdigest() for part in (graph, values)] != [told["xml_sha256"], told["bin_sha256"]]:
            raise ValueError("it is damaged, or of another card")
        return Int8Graph(graph, values, bool(told["masks"]))
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"expected {GRAPH} and {VALUES} that belong to the weights in {folder}, found none ({error}); {mend}"
        ) from error
