#!/usr/bin/env bash
# Makes the sample sessions anew. The same seeds give the same bytes.
set -euo pipefail
cd "$(dirname "$0")"
make() { hubtack simulate --overwrite --seed "$2" --minutes "$3" ${4:+--fault "$4"} --describe "$5" --out "$1"; }
make good_day       43 5 ""             "A clean session: fixed all along after the receiver has started, GRADE for a trench."
make link_stalled   292 6 link_stalled   "The base falls silent for over a minute: the correction age climbs, the verdict goes to HOLD, and it recovers."
make corrupt_frames 120 5 corrupt_frames "A weak radio damages a large share of the frames."
make two_bases      25 5 two_bases      "Another site's base comes up on the same channel: HOLD until somebody has confirmed the base."
make sky_blocked    73 6 sky_blocked    "The machine digs itself in beside a high bank: a wide part of the sky is gone for a while."
make heading_lost   43 5 heading_lost   "The second antenna's cable comes loose, and is mended."
