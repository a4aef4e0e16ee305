//go:build !windows

package trust

const isWindows = false
