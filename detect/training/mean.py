"""Writes the mean of networks of one shape, exported as ONNX, whose trainings went on from one another.

    python3 mean.py before.onnx after.onnx --out ../cortex.onnx

Such a mean is often better than either. Of networks that were trained apart it is worth nothing.
"""
import argparse

import numpy as np
import onnx
from onnx import numpy_helper


def weights(network):
    """The float weights of a network in the order in which its nodes use them, and their shapes beside the nodes'
    kinds: names differ from one exporter to the next."""
    named = {v.name: v for v in network.graph.initializer}
    used = [named[i] for n in network.graph.node for i in n.input if i in named]
    used = [v for v in used if v.data_type == onnx.TensorProto.FLOAT]
    return used, ([n.op_type for n in network.graph.node], [tuple(v.dims) for v in used])


def mean(paths):
    """The first network with the mean of the weights of all."""
    networks = [onnx.load(p) for p in paths]
    of, shapes = zip(*map(weights, networks))
    for path, shape in zip(paths, shapes):
        if shape != shapes[0]:
            raise SystemExit(f"{path}: other nodes or weights than {paths[0]}")
    for same in zip(*of):
        weight = np.mean([numpy_helper.to_array(v) for v in same], axis=0, dtype=np.float64).astype(np.float32)
        same[0].CopyFrom(numpy_helper.from_array(weight, same[0].name))
    return networks[0]


if __name__ == "__main__":
    a = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    a.add_argument("networks", nargs="+")
    a.add_argument("--out", required=True)
    a = a.parse_args()
    onnx.save(mean(a.networks), a.out)
