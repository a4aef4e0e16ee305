package terminal

import "golang.org/x/sys/unix"

const (
	getAttributes = unix.TCGETS
	setAttributes = unix.TCSETS
)
