"""What is not known exactly of a joint, drawn: friction, squeeze, creep and what follows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from keyturn.build.schema import read_data
from keyturn.making.joint_given import Joint
from keyturn.making.joint_local import Local
from keyturn.making.joint_tables import Material, row_of
from keyturn.physics import gasket as sheet
from keyturn.physics import joint as screw

FloatArray = NDArray[np.float64]
BED_REACH = 1.5  # doublings of the bed over which the two solved fields are carried on


@dataclass(frozen=True)
class Draws:
    """Standard normal deviates of what is not known exactly, with the grade of each value."""

    samples: int
    deviate: Mapping[str, FloatArray]
    grade: Mapping[str, str]
    bolts: FloatArray  # (samples, bolts)
    scatter: float  # one sigma from bolt to bolt

    @classmethod
    def of(cls, material: Material, joint: Joint, samples: int, rng: np.random.Generator) -> Draws:
        state = row_of("joints", "state", joint.state, "state")
        thread = row_of("joints", "thread", joint.thread, "thread")
        flange = row_of("joints", "flange", joint.flange, "flange")
        grade = {
            **material.grades,
            "nut factor": str(state["grade"]),
            "thread": str(thread["grade"]),
            "bearing": str(flange["grade"]),
            "pressure": "datasheet",
        }
        count = sum(hole.role == "bolt" for hole in joint.outline.holes)
        deviate = {name: rng.standard_normal(samples) for name in sorted(grade)}
        bolts = rng.standard_normal((samples, count))
        return cls(samples, deviate, grade, bolts, float(state["scatter"]) / 2.0)

    def factor(self, name: str) -> FloatArray:
        """Log-normal factor on a value, by its grade."""
        spread = float(read_data("grades.toml")["relative"][self.grade[name]])
        return np.exp(spread * self.deviate[name])

    def pull(self, joint: Joint, torque: float, local: Local) -> FloatArray:
        """Preload of each bolt in each sample [N]."""
        size = row_of("bolts", "size", joint.bolt, "bolt")
        state = row_of("joints", "state", joint.state, "state")
        known = float(state["nut_factor"]) * self.factor("nut factor")[:, None]
        nut_factor = known * np.exp(self.scatter * self.bolts)
        return np.asarray(screw.preload(torque, float(size["diameter"]), nut_factor))

    def squeezed(self, material: Material, stress: FloatArray) -> FloatArray:
        """Squeeze at a stress [Pa]."""
        typed = material.compressibility * self.factor("squeeze")
        return np.asarray(
            sheet.squeeze(stress, typed, material.compressibility_stress, material.stiffening)
        )

    def retained(self, joint: Joint, material: Material) -> FloatArray:
        """Share of the stress that is left in service."""
        first = material.creep_again if joint.retorque else material.creep
        creep = np.minimum(first * self.factor("creep"), 0.9)
        return np.asarray(sheet.retained_share(creep, joint.heat_cycles, material.loss_per_decade))

    def doublings(
        self, joint: Joint, material: Material, local: Local, torque: float
    ) -> FloatArray:
        """How often the bed of a sample is twice the bed that was solved."""
        mean = self.pull(joint, torque, local).sum(axis=1) / local.gasket_area * 1e6
        distance = self.squeezed(material, mean) * (joint.thickness or 0.0)
        times = mean * 1e-6 / distance / local.bed
        return np.asarray(np.clip(np.log2(times), -BED_REACH, BED_REACH))

    def tight(self, joint: Joint, material: Material, local: Local, torque: float) -> FloatArray:
        """Contact pressure after tightening [MPa], (samples, rows, columns)."""
        pull = self.pull(joint, torque, local)
        more = self.doublings(joint, material, local, torque)[:, None] * pull
        change = local.hard.bolts - local.soft.bolts
        field = np.tensordot(pull, local.soft.bolts, 1) + np.tensordot(more, change, 1)
        return np.maximum(np.asarray(field), 0.0)

    def lift(self, joint: Joint, material: Material, local: Local, torque: float) -> FloatArray:
        """Contact pressure that 1 MPa in the ports takes away [MPa]."""
        more = self.doublings(joint, material, local, torque)[:, None, None]
        return -(local.soft.lift + more * (local.hard.lift - local.soft.lift))
