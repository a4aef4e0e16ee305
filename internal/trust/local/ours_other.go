//go:build !unix

package local

// onlyOurs: folders below a user's own are closed to others by the system.
func onlyOurs(string) error { return nil }

// hasSockets says that a unix socket keeps other users out here.
const hasSockets = false
