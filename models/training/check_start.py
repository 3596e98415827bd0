"""The rebuilt network against the ONNX graph it came from (largest difference of probabilities)."""
import sys
import numpy as np, onnxruntime as ort, torch
from model import Reader, load_start, settle_norms, fold
session = ort.InferenceSession(sys.argv[1])
m = Reader(18710, lstm=0, pool=(3, 2)); load_start(m, sys.argv[1]); m.eval()
x = torch.rand(2, 3, 48, 320) * 2 - 1
a = session.run(None, {"x": x.numpy()})[0]
def prob(m):
    with torch.no_grad(): return m(x).softmax(-1).numpy()
b0 = None
settle_norms(m, [torch.rand(2, 3, 48, 320) * 2 - 1])
print("after norms put back", np.abs(a - prob(m)).max()); print("folded", np.abs(a - prob(fold(m))).max())
