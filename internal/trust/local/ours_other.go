//go:build !unix

package local

import "os"

// onlyOurs: folders below a user's own are closed to others by the system.
func onlyOurs(string) error { return nil }

// notEveryones: the folder of a service's doors has its access list from the installation.
func notEveryones(dir string) error {
	_, err := os.Stat(dir)
	return err
}

// hasSockets says that a unix socket keeps other users out here.
const hasSockets = false
