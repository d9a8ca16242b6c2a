"""Timings, as ratios in one run: machines are noisy, peers on the same machine are not."""
