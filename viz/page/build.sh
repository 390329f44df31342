#!/bin/sh
# Builds the page's script from src: the same sources give the same bytes. Needs "npm ci" in this folder.
set -eu
cd "$(dirname "$0")"
node_modules/.bin/esbuild src/main.js --bundle --minify --format=iife --target=es2022 --charset=utf8 \
  --legal-comments=none --log-level=warning --outfile="${1:-bundle.js}"
