#!/usr/bin/env bash
# Build the compiled readers with AddressSanitizer and UndefinedBehaviorSanitizer in a copy, and run tests/logs on them.
# MF4 has no reader compiled here; the memory limit of its process leaves no room for the sanitizers.
# Run by hand, in an environment with logan[test] (which brings cython) and gcc: tests/benchmarks/ingest/sanitize.sh [pytest options]
set -euo pipefail
copy=$(mktemp -d)
trap 'rm -rf "$copy"' EXIT
git -C "$(dirname "$0")" rev-parse --show-toplevel >"$copy/root"
cp -r "$(cat "$copy/root")"/{logan,tests,fixtures,dbc_user,pyproject.toml,README.md} "$copy"
cd "$copy"
rm -f logan/*/*.so logan/*/*.c
CFLAGS="-O1 -g -fsanitize=address,undefined -fno-sanitize-recover=undefined" LDFLAGS="-fsanitize=address,undefined" \
    python -c "from Cython.Build.Cythonize import main; main()" --inplace --quiet logan/*/*.pyx >build.log || { cat build.log; exit 1; }
# Python itself leaks at exit by design; its allocator would hide what lies behind an array.
export ASAN_OPTIONS=detect_leaks=0 PYTHONMALLOC=malloc PYTHONPATH="$copy"
LD_PRELOAD="$(gcc -print-file-name=libasan.so) $(gcc -print-file-name=libubsan.so)" \
    python -m pytest -q -p no:cacheprovider tests/logs -k "not mf4" "$@"
