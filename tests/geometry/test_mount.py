"""The two mounts: one equation, whose parts each mount names and composes for itself."""

import numpy as np
import pytest

from eyebolt.geometry import Mount, se3

CHAIN_NAMES = {
    Mount.FIXED: ("base_T_camera", "flange_T_board", "base"),
    Mount.ARM: ("flange_T_camera", "base_T_board", "flange"),
}


@pytest.mark.parametrize("mount", Mount)
def test_each_mount_names_its_transforms(mount):
    assert (mount.transform_name, mount.board_transform_name, mount.camera_parent) == CHAIN_NAMES[mount]
    assert Mount(mount.value) is mount
    assert mount.other is not mount
    assert mount.other.other is mount


def test_the_chain_is_the_pose_or_its_inverse_and_its_own_inverse():
    poses = se3.exp(np.random.default_rng(1).normal(size=(5, 6)))
    assert Mount.FIXED.chain(poses) is poses
    np.testing.assert_allclose(Mount.ARM.chain(poses) @ poses, np.broadcast_to(np.eye(4), (5, 4, 4)), atol=1e-12)
    np.testing.assert_allclose(Mount.ARM.chain(Mount.ARM.chain(poses)), poses, atol=1e-12)
