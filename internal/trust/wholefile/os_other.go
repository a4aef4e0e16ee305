//go:build !windows

package wholefile

const isWindows = false
