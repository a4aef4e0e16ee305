# Tools, pinned by version, installed into a cache of their own.
export GOBIN="${THAWTRAIL_TOOLS:-${XDG_CACHE_HOME:-$HOME/.cache}/thawtrail-tools}"
export PATH="$GOBIN:$PATH"

declare -A tool_source=(
  [buf]=github.com/bufbuild/buf/cmd/buf@v1.75.0
  [protoc-gen-go]=google.golang.org/protobuf/cmd/protoc-gen-go@v1.36.12
  [protoc-gen-go-grpc]=google.golang.org/grpc/cmd/protoc-gen-go-grpc@v1.6.2
  [staticcheck]=honnef.co/go/tools/cmd/staticcheck@v0.8.2
  [gosec]=github.com/securego/gosec/v2/cmd/gosec@v2.30.0
  [nfpm]=github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.43.0
  [cyclonedx-gomod]=github.com/CycloneDX/cyclonedx-gomod/cmd/cyclonedx-gomod@v1.10.0
  [govulncheck]=golang.org/x/vuln/cmd/govulncheck@v1.9.0
)

need_tools() {
  mkdir -p "$GOBIN"
  local name
  for name in "$@"; do
    local stamp="$GOBIN/.$name"
    if [ ! -x "$GOBIN/$name" ] || [ "$(cat "$stamp" 2>/dev/null)" != "${tool_source[$name]}" ]; then
      echo "installing ${tool_source[$name]}"
      (cd / && go install "${tool_source[$name]}")
      echo "${tool_source[$name]}" >"$stamp"
    fi
  done
}

# The race detector needs a C compiler.
need_c_compiler() {
  command -v gcc >/dev/null || { apt-get update -q && apt-get install -qy gcc libc6-dev; }
}

# Page tests drive the system's Chromium.
need_chromium() {
  command -v chromium >/dev/null || { apt-get update -q && apt-get install -qy chromium; }
}

# PostgreSQL keeps the truth of tests: they start one of their own, and nothing of the
# system's.
need_postgres() {
  compgen -G '/usr/lib/postgresql/*/bin/postgres' >/dev/null && return
  apt-get update -q && apt-get install -qy --no-install-recommends postgresql
}

# Wine runs the Windows program; mingw compiles the one function that this Wine has not.
need_wine() {
  command -v wine >/dev/null && command -v x86_64-w64-mingw32-gcc >/dev/null && return
  apt-get update -q && apt-get install -qy --no-install-recommends wine wine64 gcc-mingw-w64-x86-64-win32
}

# axe-core looks at pages as people with poor sight, a keyboard or a screen reader
# meet them. It is a tool of the tests: nothing of it is committed or shipped.
axe_version=4.14.1
axe_sha512=1477dafa598d8d065f273d6af302aa203c02e83131707b7fa648cd41bd3d6b734f8c22a0dab86ee6a6f64b8afbe804b214d36db85a2826965edfb3a0b9d546b5

# need_axe puts axe-core beside the other tools and names its file in THAWTRAIL_AXE.
need_axe() {
  local packed="$GOBIN/axe-core-$axe_version.tgz" fresh
  mkdir -p "$GOBIN"
  if ! echo "$axe_sha512  $packed" | sha512sum --check --status 2>/dev/null; then
    command -v npm >/dev/null || { apt-get update -q && apt-get install -qy npm; } || true
    command -v npm >/dev/null || { echo "axe-core $axe_version cannot be fetched: there is no npm, and it could not be installed"; return 1; }
    echo "fetching axe-core $axe_version"
    fresh=$(mktemp -d)
    (cd "$fresh" && npm pack --silent "axe-core@$axe_version" >/dev/null) || { echo "axe-core $axe_version cannot be fetched: npm had no answer"; return 1; }
    mv "$fresh"/axe-core-*.tgz "$packed"
    rmdir "$fresh"
    echo "$axe_sha512  $packed" | sha512sum --check --quiet || { echo "axe-core $axe_version is not the one that is pinned here"; rm -f "$packed"; return 1; }
  fi
  tar -xzf "$packed" -C "$GOBIN" package/axe.min.js
  export THAWTRAIL_AXE="$GOBIN/package/axe.min.js"
}
