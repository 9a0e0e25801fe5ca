"""Train the contact network on the fitting half of the reference scenes and export it into the package.

    python calibration/train_fingertips.py collect tips.npz     # runs the package up to the network's input
    python calibration/train_fingertips.py train tips.npz       # writes hands/models/fingertip.{onnx,json}
    python calibration/train_fingertips.py swapped tips.npz     # the same with the halves changed round: writes
                                                                # calibration/models, for the benches only

Training needs PyTorch and onnx (pip install torch onnx); the program itself does not. The split is by hand shape:
no shape that serves for training appears in the report (calibration/accuracy.py).

The uncertainty is calibrated inside the fitting half: each of its shapes is left out once, a network trained on the
others, and the deviations that it states are mapped to those that explain the left-out truths best, thumbs and
fingers apart; then scaled until 95 % regions hold 95 % of them.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).resolve().parent))

from split import FITTING_SHAPES, REPORTING_SHAPES

from handcapture.hands.fingertips import (
    STRIP_COLUMNS,
    STRIP_HALF_WIDTH,
    STRIP_ROWS,
    STRIP_SHRINK,
    STRIP_SPAN,
    features_of,
    weights_sha256,
)
from handcapture.hands.outline import TIP_VIEW_MM

MODELS = Path(__file__).resolve().parent.parent / "handcapture" / "hands" / "models"
SWAPPED_MODELS = Path(__file__).resolve().parent / "models"
TRAINING_MATS = ("a3", "a4-pair", "tabloid")
EPOCHS = 600
ENSEMBLE, LEFT_OUT_ENSEMBLE = 3, 2
LONGER_SD = 0.1
"""Fingers are stretched by so much in training, so that the network relies less on their length, which differs from
hand to hand. Six members, half of them without it, did no better on left-out shapes."""
CHI2_95 = 5.991
OWN, FIRST_FINGER = 18, 13
"""Of the features the finger's own come first, the last five of which say which finger it is."""
LENGTHS = [3, 4, 5, 8, *(OWN + 5 * finger + k for finger in range(5) for k in range(3))]
"""Features that grow with the length of the hand's fingers."""
TAIL = 4.0
"""Degrees of freedom of the Student distribution by which misses are judged when deviations are mapped."""
FLAT_WEIGHT = 4.0
"""Flat fingers are few among the scenes; each is drawn this much more often than the others."""


def collect(target: Path) -> None:
    """Run the package on every composed scene and keep what the network will be shown, with the truth."""
    from reference import composed_photos

    from handcapture.capture import WORKING_PX_PER_MM
    from handcapture.hands.fingertips import CONTACT_RAY_HEIGHT_MM, gather
    from handcapture.hands.landmarks import HandNetwork, find_hands, shrink
    from handcapture.hands.outline import TIP_HEIGHT_MM
    from handcapture.hands.skin import learn_paper, learn_skin_tint
    from handcapture.mat.sighting import sight
    from handcapture.names import FINGERS
    from handcapture.photo import read_photo

    rows: dict[str, list[object]] = {}

    def add(**values: object) -> None:
        for name, value in values.items():
            rows.setdefault(name, []).append(value)

    with HandNetwork() as network:
        for scene in composed_photos(TRAINING_MATS):
            photo = read_photo(scene.photo)
            sighting = sight(photo)
            small = shrink(photo, sighting, WORKING_PX_PER_MM)
            hands = find_hands(photo, sighting, network, small)
            paper = learn_paper(small, sighting, hands)
            for hand in hands:
                tint = learn_skin_tint(photo.pixels_bgr, sighting, paper, hand)
                evidence = gather(photo.pixels_bgr, sighting, paper, tint, hand)
                for tip, features in zip(evidence, features_of(evidence), strict=True):
                    truth = scene.truth["hands"][hand.side]["fingers"][FINGERS[tip.finger_index]]
                    contact = np.r_[truth["contact_mat_mm"], CONTACT_RAY_HEIGHT_MM]
                    pixel = sighting.camera.project(contact[None])
                    outline = tip.outline
                    add(
                        brightness=tip.view.brightness.astype(np.float16),
                        tint=tip.view.tint.astype(np.float16),
                        target_mm=tip.view.view.from_mat(sighting.camera.at_height(pixel, TIP_HEIGHT_MM))[0],
                        outline=[outline.x_mm, outline.y_mm, outline.angle_rad, outline.half_breadth_mm],
                        features=features,
                        side=1.0 if hand.side == "right" else -1.0,
                        visible=truth["visible"],
                        pitch_deg=truth["distal_pitch_deg"],
                        shape=scene.truth["shape"],
                        flat=scene.name.startswith("flat"),
                    )
            print(scene.name, flush=True)
    np.savez(target, **{name: np.array(values) for name, values in rows.items()})


def train(source: Path, shapes: frozenset[str] = FITTING_SHAPES, folder: Path = MODELS) -> None:
    """Train the ensemble on the hand `shapes`, calibrate its deviations, export both into `folder`."""
    import torch
    from torch import nn
    from torch.nn import functional

    data = np.load(source)
    fitting = np.flatnonzero([shape in shapes for shape in data["shape"]])
    planes = torch.tensor(np.stack([data["brightness"], data["tint"]], 1).astype(np.float32))
    planes[:, 0].clamp_(-5.0, 1.0)
    planes[:, 1].clamp_(-0.5, 2.0)
    planes = functional.avg_pool2d(planes, STRIP_SHRINK)
    target = torch.tensor(data["target_mm"], dtype=torch.float32)
    outline = torch.tensor(data["outline"], dtype=torch.float32)
    side = torch.tensor(data["side"], dtype=torch.float32)
    features = torch.tensor(data["features"], dtype=torch.float32)
    sin_pitch = torch.tensor(np.sin(np.radians(data["pitch_deg"])), dtype=torch.float32)
    seen_weight = torch.tensor(np.where(data["visible"] > 0.5, 1.0, 0.05), dtype=torch.float32)
    first, last = STRIP_SPAN
    behind, beside = torch.meshgrid(
        (torch.arange(STRIP_ROWS) + 0.5) / STRIP_ROWS * (last - first) + first,
        ((torch.arange(STRIP_COLUMNS) + 0.5) / STRIP_COLUMNS * 2 - 1) * STRIP_HALF_WIDTH,
        indexing="ij",
    )

    def strips(
        index: torch.Tensor, placed: torch.Tensor, longer: torch.Tensor | None = None
    ) -> tuple[torch.Tensor, torch.Tensor]:
        """As fingertips.strip_of, for many tips and shifted outlines at once; and the target in breadths.

        `longer` (N,) makes fingers longer by this factor, as other hands have them.
        """
        if longer is None:
            longer = torch.ones(len(index))
        back = behind[None] / longer[:, None, None]
        end, angle, breadth = placed[:, :2], placed[:, 2], 2 * placed[:, 3]
        forward = torch.stack([torch.sin(angle), -torch.cos(angle)], 1)
        across = torch.stack([torch.cos(angle), torch.sin(angle)], 1) * side[index, None]
        places = (
            end[:, None, None]
            - forward[:, None, None] * (back * breadth[:, None, None])[..., None]
            + across[:, None, None] * (beside[None] * breadth[:, None, None])[..., None]
        )
        grid = torch.stack([places[..., 0] / TIP_VIEW_MM[0], places[..., 1] / TIP_VIEW_MM[1]], -1) * 2 - 1
        seen = functional.grid_sample(planes[index], grid, padding_mode="border", align_corners=False)
        middle = seen[:, :1, 14:40, 10:18].mean((2, 3), keepdim=True)
        seen = torch.cat([(seen[:, :1] - middle).clamp(-1.5, 2.5), seen[:, 1:]], 1)
        offset = target[index] - end
        along = -(offset * forward).sum(1) * longer
        return seen, torch.stack([along, (offset * across).sum(1)], 1) / breadth[:, None]

    class Net(nn.Module):
        """A small convolutional network over the strip, joined by the finger's features."""

        def __init__(self, mean: torch.Tensor, sd: torch.Tensor) -> None:
            super().__init__()
            self.register_buffer("mean", mean)
            self.register_buffer("sd", sd)
            layers: list[nn.Module] = []
            channels = 2
            for out, size, stride in ((16, 5, 2), (32, 3, 1), (32, 3, 2), (48, 3, 2)):
                layers += [nn.Conv2d(channels, out, size, stride, size // 2), nn.BatchNorm2d(out), nn.ReLU()]
                channels = out
            self.look = nn.Sequential(*layers, nn.Conv2d(channels, 12, 1), nn.ReLU())
            self.judge = nn.Sequential(
                nn.Dropout(0.2),
                nn.Linear(12 * 7 * 4 + len(mean), 64),
                nn.ReLU(),
                nn.Dropout(0.2),
                nn.Linear(64, 5),
            )

        def scaled(self, values: torch.Tensor) -> torch.Tensor:
            return ((values - self.mean) / self.sd).clamp(-4.0, 4.0)

        def forward(self, strip: torch.Tensor, scaled: torch.Tensor) -> torch.Tensor:
            # Half precision serves for training, and takes half the time.
            with torch.autocast("cpu", dtype=torch.bfloat16, enabled=self.training):
                seen = self.look(strip.contiguous(memory_format=torch.channels_last))
            return self.judge(torch.cat([seen.flatten(1).float(), scaled], 1))

    class Ensemble(nn.Module):
        """Mean offset and its deviation: the members' own (a Laplace scale) and their disagreement."""

        def __init__(self, members: list[Net]) -> None:
            super().__init__()
            self.members = nn.ModuleList(members)

        def forward(self, strip: torch.Tensor, values: torch.Tensor) -> torch.Tensor:
            out = torch.stack([m(strip, m.scaled(values)) for m in self.members])
            offset = out[:, :, :2].mean(0)
            own = (2.0 * torch.exp(2.0 * out[:, :, 2:4].clamp(-5.0, 1.0))).mean(0)
            disagreement = ((out[:, :, :2] - offset) ** 2).mean(0)
            return torch.cat([offset, torch.sqrt(own + disagreement)], 1)

    def fit(chosen: np.ndarray, epochs: int, seed: int) -> Net:
        torch.manual_seed(seed)
        dice = torch.Generator().manual_seed(seed)
        index = torch.tensor(chosen)
        mean, sd = features[index].mean(0), features[index].std(0) + 1e-3
        mean[FIRST_FINGER:OWN], sd[FIRST_FINGER:OWN] = 0.0, 1.0  # which finger: left as it is
        net = Net(mean, sd).to(memory_format=torch.channels_last)
        batch, rate = 64, 4e-3
        optimiser = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=1e-2)
        steps = epochs * ((len(index) + batch - 1) // batch)
        schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, rate, total_steps=steps)
        draw = torch.tensor(np.where(data["flat"][chosen], FLAT_WEIGHT, 1.0))

        def noise(*shape: int) -> torch.Tensor:
            return torch.randn(*shape, generator=dice)

        net.train()
        for _ in range(epochs):
            for some in index[torch.multinomial(draw, len(index), True, generator=dice)].split(batch):
                if len(some) < 8:
                    schedule.step()
                    continue
                n = len(some)
                # Outlines as wrong as they may come, some of them grossly so.
                gross = 1.0 + 2.0 * (torch.rand(n, 1, generator=dice) < 0.15)
                shift = noise(n, 4)
                placed = outline[some].clone()
                placed[:, :2] += shift[:, :2] * 0.9 * gross
                placed[:, 2] += shift[:, 2] * 0.07 * gross[:, 0]
                placed[:, 3] *= torch.exp(shift[:, 3] * 0.05)
                longer = torch.exp(noise(n) * LONGER_SD)
                seen, wanted = strips(some, placed, longer)
                # Light that falls otherwise, skins of other depth, noise.
                tone = noise(n, 4)[..., None, None]
                light = seen[:, 0] * torch.exp(0.2 * tone[:, 2]) + beside * tone[:, 0] * 0.15
                light = light + behind * tone[:, 1] * 0.08
                seen = torch.stack([light, seen[:, 1] * torch.exp(0.12 * tone[:, 3])], 1)
                seen = seen + noise(*seen.shape) * 0.05 * torch.rand(n, 1, 1, 1, generator=dice)
                known = features[some].clone()
                known[:, LENGTHS] *= longer[:, None]
                known = net.scaled(known)
                known = known + noise(*known.shape) * 0.15
                own, shared = (torch.rand(n, 1, generator=dice) > share for share in (0.1, 0.3))
                known = torch.cat([known[:, :OWN] * own, known[:, OWN:] * shared], 1)
                out = net(seen, known)
                scale = out[:, 2:4].clamp(-5.0, 1.0)
                miss = torch.sqrt((out[:, :2] - wanted) ** 2 + 1e-4)
                loss = ((miss * torch.exp(-scale) + scale).sum(1) * seen_weight[some]).mean()
                loss = loss + ((out[:, 4] - sin_pitch[some]) ** 2).mean()
                optimiser.zero_grad()
                loss.backward()
                nn.utils.clip_grad_norm_(net.parameters(), 2.0)
                optimiser.step()
                schedule.step()
        return net.eval()

    def judge(ensemble: Ensemble, chosen: np.ndarray) -> dict[str, np.ndarray]:
        index = torch.tensor(chosen[data["visible"][chosen] > 0.8])
        with torch.no_grad():
            seen, wanted = strips(index, outline[index])
            out = ensemble(seen, features[index])
        return {
            "miss": (out[:, :2] - wanted).numpy(),
            "sd": out[:, 2:].numpy(),
            "breadth": 2 * outline[index, 3].numpy(),
            "thumb": features[index, FIRST_FINGER].numpy() > 0.5,
        }

    def told(name: str, judged: dict[str, np.ndarray]) -> None:
        error_mm = np.linalg.norm(judged["miss"], axis=1) * judged["breadth"]
        print(f"{name}: median {np.median(error_mm):.2f}, 95 % {np.percentile(error_mm, 95):.2f} mm", flush=True)

    left_out = []
    for shape in sorted(shapes):
        others = fitting[data["shape"][fitting] != shape]
        ensemble = Ensemble([fit(others, EPOCHS // 2, seed) for seed in range(LEFT_OUT_ENSEMBLE)]).eval()
        left_out.append(judge(ensemble, fitting[data["shape"][fitting] == shape]))
        told(f"left out {shape}", left_out[-1])
    together = {name: np.concatenate([part[name] for part in left_out]) for name in left_out[0]}
    told("left out, all", together)
    calibration: dict[str, object] = {
        "trained_on": "reference scenes of the hand shapes " + ", ".join(sorted(shapes)),
    }
    spread = np.empty_like(together["sd"])
    for name, members in (("thumb", together["thumb"]), ("finger", ~together["thumb"])):
        factor, floor = deviations(together["miss"][members], together["sd"][members])
        calibration |= {f"sd_factor_{name}": factor.round(4).tolist(), f"sd_floor_{name}": floor.round(4).tolist()}
        spread[members] = np.hypot(together["sd"][members] * factor, floor)
    for p in (50, 80, 95):
        inside = (together["miss"] ** 2 / spread**2).sum(1) < -2 * np.log(1 - p / 100)
        print(f"{p} % regions hold {100 * inside.mean():.0f} % of the left out")

    final = Ensemble([fit(fitting, EPOCHS, seed) for seed in range(ENSEMBLE)]).eval()
    example = strips(torch.tensor(fitting[:5]), outline[fitting[:5]])[0], features[fitting[:5]]
    torch.onnx.export(
        final,
        example,
        str(folder / "fingertip.onnx"),
        input_names=["strip", "features"],
        output_names=["offset"],
        dynamo=False,
        opset_version=13,
    )
    (folder / "fingertip.json").write_text(json.dumps(calibration, indent=1) + "\n")
    sha256 = weights_sha256((folder / "fingertip.onnx").read_bytes(), calibration)
    print(f"If these are to be shipped, fingertips.MODEL_SHA256 becomes {sha256}")


def deviations(miss: np.ndarray, stated: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return factor (2,) and floor (2,), along and across: the deviation is hypot(factor * stated, floor).

    Chosen by the likelihood of Student's distribution, because some misses are gross; then both are scaled so that
    regions of two degrees of freedom hold 95 % of the misses (N, 2).
    """
    factor, floor = np.empty(2), np.empty(2)
    for k in range(2):

        def cost(logs: np.ndarray, k: int = k) -> float:
            sd = np.hypot(stated[:, k] * np.exp(logs[0]), np.exp(logs[1]))
            return float((np.log(sd) + (TAIL + 1) / 2 * np.log1p(miss[:, k] ** 2 / sd**2 / TAIL)).mean())

        factor[k], floor[k] = np.exp(minimize(cost, np.log([1.0, 0.03]), method="Nelder-Mead").x)
    radius = (miss**2 / np.hypot(stated * factor, floor) ** 2).sum(1)
    common = np.sqrt(np.percentile(radius, 95) / CHI2_95)
    return factor * common, floor * common


if __name__ == "__main__":
    what, file = (sys.argv[1], Path(sys.argv[2])) if len(sys.argv) == 3 else ("", Path())
    if what == "collect":
        collect(file)
    elif what == "train":
        train(file)
    elif what == "swapped":
        SWAPPED_MODELS.mkdir(exist_ok=True)
        train(file, REPORTING_SHAPES, SWAPPED_MODELS)
    else:
        sys.exit(__doc__)
