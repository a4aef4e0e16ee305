//go:build unix && !linux

package terminal

import "golang.org/x/sys/unix"

const (
	getAttributes = unix.TIOCGETA
	setAttributes = unix.TIOCSETA
)
