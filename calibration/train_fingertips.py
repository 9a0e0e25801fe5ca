"""Train the contact network on the fitting half of the reference scenes and export it into the package.

    python calibration/train_fingertips.py collect tips.npz     # runs the package up to the network's input
    python calibration/train_fingertips.py train tips.npz       # writes hands/models/fingertip.{onnx,json}
    python calibration/train_fingertips.py swapped tips.npz     # the same with the halves changed round: writes
                                                                # calibration/models, for the benches only

Training needs PyTorch and onnx (pip install torch onnx); the program itself does not. The split is by hand
shape:
no shape that serves for training appears in the report (calibration/accuracy.py).

The uncertainty is calibrated inside the fitting half: each of its shapes is left out once, a network trained
on the others, and the stated deviations scaled until 95 % regions hold 95 % of the left-out truths.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from split import FITTING_SHAPES, REPORTING_SHAPES

from handcapture.hands.fingertips import STRIP_COLUMNS, STRIP_HALF_WIDTH, STRIP_ROWS, STRIP_SPAN
from handcapture.hands.outline import TIP_VIEW_MM

MODELS = Path(__file__).resolve().parent.parent / "handcapture" / "hands" / "models"
SWAPPED_MODELS = Path(__file__).resolve().parent / "models"
EPOCHS = 800
ENSEMBLE = 3
CHI2_95 = 5.991
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
        for scene in composed_photos(("a3", "a4-pair")):
            photo = read_photo(scene.photo)
            sighting = sight(photo)
            small = shrink(photo, sighting, WORKING_PX_PER_MM)
            hands = find_hands(photo, sighting, network, small)
            paper = learn_paper(small, sighting, hands)
            for hand in hands:
                tint = learn_skin_tint(photo.pixels_bgr, sighting, paper, hand)
                for tip in gather(photo.pixels_bgr, sighting, paper, tint, hand):
                    truth = scene.truth["hands"][hand.side]["fingers"][FINGERS[tip.finger_index]]
                    contact = np.r_[truth["contact_mat_mm"], CONTACT_RAY_HEIGHT_MM]
                    pixel = sighting.camera.project(contact[None])
                    outline = tip.outline
                    add(
                        brightness=tip.view.brightness.astype(np.float16),
                        tint=tip.view.tint.astype(np.float16),
                        target_mm=tip.view.view.from_mat(sighting.camera.at_height(pixel, TIP_HEIGHT_MM))[0],
                        outline=[outline.x_mm, outline.y_mm, outline.angle_rad, outline.half_breadth_mm],
                        features=tip.features,
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

    def strips(index: torch.Tensor, placed: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
        """As fingertips.strip_of, for many tips and shifted outlines at once; and the target in breadths."""
        end, angle, breadth = placed[:, :2], placed[:, 2], 2 * placed[:, 3]
        forward = torch.stack([torch.sin(angle), -torch.cos(angle)], 1)
        across = torch.stack([torch.cos(angle), torch.sin(angle)], 1) * side[index, None]
        places = (
            end[:, None, None]
            - forward[:, None, None] * (behind[None] * breadth[:, None, None])[..., None]
            + across[:, None, None] * (beside[None] * breadth[:, None, None])[..., None]
        )
        grid = torch.stack([places[..., 0] / TIP_VIEW_MM[0], places[..., 1] / TIP_VIEW_MM[1]], -1) * 2 - 1
        seen = functional.grid_sample(planes[index], grid, padding_mode="border", align_corners=False)
        middle = seen[:, :1, 14:40, 10:18].mean((2, 3), keepdim=True)
        seen = torch.cat([(seen[:, :1] - middle).clamp(-1.5, 2.5), seen[:, 1:]], 1)
        offset = target[index] - end
        return seen, torch.stack([-(offset * forward).sum(1), (offset * across).sum(1)], 1) / breadth[:, None]

    class Net(nn.Module):
        """A small convolutional network over the strip, joined by the finger's features."""

        def __init__(self, mean: torch.Tensor, sd: torch.Tensor) -> None:
            super().__init__()
            self.register_buffer("mean", mean)
            self.register_buffer("sd", sd)
            layers: list[nn.Module] = []
            channels = 2
            for out, stride in ((16, 1), (16, 2), (32, 1), (32, 2), (48, 2)):
                layers += [nn.Conv2d(channels, out, 3, stride, 1), nn.BatchNorm2d(out), nn.ReLU()]
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
            return self.judge(torch.cat([self.look(strip).flatten(1), scaled], 1))

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
        mean[13:], sd[13:] = 0.0, 1.0  # which finger: left as it is
        net = Net(mean, sd)
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
                seen, wanted = strips(some, placed)
                # Light that falls otherwise, skins of other depth, noise.
                tone = noise(n, 4)[..., None, None]
                light = seen[:, 0] * torch.exp(0.2 * tone[:, 2]) + beside * tone[:, 0] * 0.15
                light = light + behind * tone[:, 1] * 0.08
                seen = torch.stack([light, seen[:, 1] * torch.exp(0.12 * tone[:, 3])], 1)
                seen = seen + noise(*seen.shape) * 0.05 * torch.rand(n, 1, 1, 1, generator=dice)
                known = net.scaled(features[some])
                known = known + noise(*known.shape) * 0.15
                known = known * (torch.rand(n, 1, generator=dice) > 0.1)
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

    def judge(ensemble: Ensemble, chosen: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        index = torch.tensor(chosen)
        with torch.no_grad():
            seen, wanted = strips(index, outline[index])
            out = ensemble(seen, features[index])
        return (out[:, :2] - wanted).numpy(), out[:, 2:].numpy(), 2 * outline[index, 3].numpy()

    misses, sds, breadths = [], [], []
    for shape in sorted(shapes):
        held = fitting[data["shape"][fitting] == shape]
        others = fitting[data["shape"][fitting] != shape]
        ensemble = Ensemble([fit(others, EPOCHS // 2, seed) for seed in range(2)]).eval()
        miss, sd, breadth = judge(ensemble, held[data["visible"][held] > 0.8])
        misses.append(miss)
        sds.append(sd)
        breadths.append(breadth)
        error_mm = np.linalg.norm(miss, axis=1) * breadth
        print(f"left out {shape}: median {np.median(error_mm):.2f}, 95 % {np.percentile(error_mm, 95):.2f} mm")
    miss, sd = np.concatenate(misses), np.concatenate(sds)
    floor = 0.03
    spread = np.sqrt(sd**2 + floor**2)
    shares = [float(np.percentile(np.abs(miss[:, k]) / spread[:, k], 90)) / 1.645 for k in range(2)]
    radius = (miss**2 / (spread * shares) ** 2).sum(1)
    common = float(np.sqrt(np.percentile(radius, 95) / CHI2_95))
    factor = [share * common for share in shares]
    print(f"factors on stated deviations, along and across: {factor[0]:.2f}, {factor[1]:.2f}")

    final = Ensemble([fit(fitting, EPOCHS, seed) for seed in range(ENSEMBLE)]).eval()
    shown = [np.flatnonzero([shape not in shapes for shape in data["shape"]])]
    miss, sd, breadth = judge(final, shown[0][data["visible"][shown[0]] > 0.8])
    error_mm = np.linalg.norm(miss, axis=1) * breadth
    inside = (miss**2 / ((sd**2 + floor**2) * np.array(factor) ** 2)).sum(1) < CHI2_95
    print(
        f"reporting half: median {np.median(error_mm):.2f}, 95 % {np.percentile(error_mm, 95):.2f} mm, "
        f"95 % regions hold {100 * inside.mean():.0f} %"
    )
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
    (folder / "fingertip.json").write_text(
        json.dumps(
            {
                "trained_on": "reference scenes of the hand shapes " + ", ".join(sorted(shapes)),
                "sd_factor": [round(f, 4) for f in factor],
                "sd_floor_breadths": floor,
            },
            indent=1,
        )
        + "\n"
    )


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
