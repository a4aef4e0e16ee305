//go:build unix

package terminal

import "golang.org/x/sys/unix"

func isTerminal(fd uintptr) bool {
	_, err := unix.IoctlGetTermios(int(fd), getAttributes)
	return err == nil
}

// hideTyping switches the echo off and gives the way back.
func hideTyping(fd uintptr) (back func(), err error) {
	old, err := unix.IoctlGetTermios(int(fd), getAttributes)
	if err != nil {
		return nil, err
	}
	hidden := *old
	hidden.Lflag &^= unix.ECHO
	hidden.Lflag |= unix.ICANON | unix.ISIG
	back = func() { _ = unix.IoctlSetTermios(int(fd), setAttributes, old) } // the terminal is gone, then
	return back, unix.IoctlSetTermios(int(fd), setAttributes, &hidden)
}
