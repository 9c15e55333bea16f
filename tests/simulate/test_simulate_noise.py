"""Noise by place: the generator's published first value, the normal law, and no memory."""

from __future__ import annotations

import numpy as np
from scipy import special, stats

from benchpipe.simulate.noise import normals, stream_key, uniform


def test_the_generator_is_splitmix64() -> None:
    # First output for seed 0 in the reference implementation, 0xE220A8397B1DCDAF [M: from memory, and here
    # recomputed in whole-number arithmetic].
    mask = (1 << 64) - 1
    z = 0x9E3779B97F4A7C15
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & mask
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & mask
    z ^= z >> 31
    assert z == 0xE220A8397B1DCDAF
    assert uniform(np.uint64(0), 0) == ((z >> 11) + 0.5) * 2.0**-53


def test_normals_are_the_inverse_of_the_normal_law() -> None:
    key = stream_key(5, "x")
    got = normals(key, 0, 200_000)
    wanted = special.ndtri(np.array([uniform(key, i) for i in range(200_000)]))
    np.testing.assert_allclose(got, wanted, rtol=2e-14, atol=2e-15)
    assert np.abs(got).max() > 4.0  # the tails are there
    assert stats.kstest(got, "norm").pvalue > 0.001
    assert abs(np.corrcoef(got[1:], got[:-1])[0, 1]) < 0.01


def test_where_a_chunk_begins_changes_no_bit_and_streams_differ() -> None:
    key = stream_key(5, "x")
    whole = normals(key, 1000, 500)
    assert np.array_equal(whole, np.concatenate([normals(key, 1000, 123), normals(key, 1123, 377)]))
    assert not np.array_equal(whole, normals(stream_key(6, "x"), 1000, 500))
    assert not np.array_equal(whole, normals(stream_key(5, "y"), 1000, 500))
