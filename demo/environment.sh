# Sourced by demo/run and tests/run: a virtual environment with hairtone and the extras named in
# $EXTRAS, made on the first call. Sets $PYTHON_HERE. Needs only a Python with venv.

say() { printf '%s\n' "$*" >&2; }
fail() { say "$@"; exit 2; }

find_python() {
  for candidate in "${PYTHON:-}" python3.13 python3.12 python3.11 python3 python; do
    [ -n "$candidate" ] && command -v "$candidate" >/dev/null 2>&1 || continue
    if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
      printf '%s' "$candidate"
      return
    fi
  done
}

prepare() {
  environment=${HAIRTONE_VENV:-.venv}
  PYTHON_HERE=$environment/bin/python
  stamp=$environment/.ready-$(printf '%s' "$EXTRAS" | tr -c 'a-z\n' '-')
  wanted="$(cksum < pyproject.toml) $(pwd)" # a folder that moved is set up again
  if [ "$(cat "$stamp" 2>/dev/null)" = "$wanted" ] && "$PYTHON_HERE" -c '' 2>/dev/null; then
    return
  fi
  found=$(find_python)
  [ -n "$found" ] || fail "Python 3.11 or newer was not found. Install it, then run this again."
  "$found" -c 'import ensurepip, venv' 2>/dev/null || fail \
    "This Python cannot make a virtual environment." \
    "On Debian or Ubuntu: sudo apt install python3-venv"
  mkdir -p "$environment" 2>/dev/null && [ -w "$environment" ] || fail \
    "$environment cannot be made: the folder $(pwd) is not yours to write to." \
    "Name a place of your own for it: HAIRTONE_VENV=\"\$HOME/hairtone-env\" demo/run …" \
    "or copy the checkout to a folder of yours."
  say "Setting up $environment (once; a few minutes, about 1 GB) …"
  if ! "$PYTHON_HERE" -c '' 2>/dev/null || ! grep -qsF "$(pwd)" "$environment"/.ready-*; then
    "$found" -m venv --clear "$environment"
  fi
  "$PYTHON_HERE" -m pip install --quiet --disable-pip-version-check -e ".$EXTRAS" ||
    fail "Installing failed (see above). Check the network and run this again."
  "$PYTHON_HERE" -c 'import cv2' 2>/dev/null || fail \
    "OpenCV cannot load its system libraries." \
    "On Debian or Ubuntu: sudo apt install libgl1 libglib2.0-0"
  printf '%s' "$wanted" > "$stamp" # last: an interrupted installation is taken up again
}
