#!/bin/sh
# The main job on a sample flight: what was read, the summary, figures in a folder, and the window where there is a display.
set -eu
bin="$1"; flight="$2"; out="$3"
log="$flight/flight.csv"; vehicle="$flight/vehicle.toml"; evidence="$flight/evidence.toml"; calibration="$flight/true_calibration.toml"

echo "== What was read from $log"
"$bin/plumbline" check "$log"
echo
echo "== The flight"
"$bin/plumbline" estimate "$log" --vehicle "$vehicle"
mkdir -p "$out"
echo
echo "== Figures (as flown, and with the calibration proven afterwards)"
for name in overview attitude plumb-circle path; do
  "$bin/plumbline" figure "$log" "$name" --vehicle "$vehicle" --calibration "$calibration" --method integrate --out "$out/$name.pdf" --force
done
if [ -n "${DISPLAY:-}${WAYLAND_DISPLAY:-}" ] || [ "$(uname -s)" = "Darwin" ]; then
  echo
  echo "== The window (close it to end)"
  if [ "$flight" = sample_logs/crooked_bench ]; then
    "$bin/plumbline" open  # with nothing named it opens this very flight, and says what to try
  else
    "$bin/plumbline" open "$log" --vehicle "$vehicle"
  fi
else
  echo
  echo "No display here: the window was left out. With one: $bin/plumbline open $log --vehicle $vehicle"
fi
