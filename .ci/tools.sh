# Tools, pinned by version, installed into a cache of their own.
export GOBIN="${THAWTRAIL_TOOLS:-${XDG_CACHE_HOME:-$HOME/.cache}/thawtrail-tools}"
export PATH="$GOBIN:$PATH"

declare -A tool_source=(
  [buf]=github.com/bufbuild/buf/cmd/buf@v1.75.0
  [protoc-gen-go]=google.golang.org/protobuf/cmd/protoc-gen-go@v1.36.12
  [protoc-gen-go-grpc]=google.golang.org/grpc/cmd/protoc-gen-go-grpc@v1.6.2
  [staticcheck]=honnef.co/go/tools/cmd/staticcheck@v0.8.2
  [gosec]=github.com/securego/gosec/v2/cmd/gosec@v2.30.0
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
