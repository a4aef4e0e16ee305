// Package local is the way to a daemon for commands of the same user on the
// same machine, and for nobody else.
//
// Where the system has them, a daemon listens on a unix socket in a folder that
// only its user can enter. It also listens on a loopback address, where a random
// token proves the user: the daemon writes the token down in a file that only
// its user can read. The token is new at each start.
//
// What a daemon wrote down is its Door. Commands find it by the data folder
// (--data) or by the address (--at), and use the socket where there is one.
//
// A daemon that is a service of the system runs as a user of its own. Its doors stand in a
// folder that its installation made (ServiceFolder): who may enter that folder, by its
// group, may use the service. The token stays the service's own.
package local

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"runtime"

	"thawtrail/internal/wholefile"
)

// Door says how to reach a running daemon.
type Door struct {
	Address string            `json:"address"`          // host:port of the loopback listener, as it was bound
	Socket  string            `json:"socket,omitempty"` // path of the unix socket
	Token   string            `json:"token"`
	Key     ed25519.PublicKey `json:"key,omitempty"` // of the TLS certificate at Address; clear text when empty
}

const (
	doorFile = "local.door"
	maxDoor  = 8 << 10
)

// ErrNoDoor: no daemon of this user has written down how to reach it there.
var ErrNoDoor = errors.New("no daemon of this user is known there")

// NewToken draws the token of one run.
func NewToken(random io.Reader) (string, error) {
	raw := make([]byte, 32)
	if _, err := io.ReadFull(random, raw); err != nil {
		return "", fmt.Errorf("draw token: %w", err)
	}
	return hex.EncodeToString(raw), nil
}

// Write writes the door down in the data folder and, in the folder of this user's
// doors, under its address and for the data folder. A full disk leaves some of them
// out, or all: err says which, and remove takes away again what was written. What an
// earlier run left in the place of one that cannot be written only misleads, and
// goes.
func (d Door) Write(data string) (remove func(), err error) { return d.write(data, "") }

func (d Door) write(data, service string) (remove func(), err error) {
	raw, err := json.Marshal(d)
	if err != nil {
		return func() {}, err
	}
	paths := []string{filepath.Join(data, doorFile)}
	dir, err := folderOf(service)
	if err == nil {
		paths = append(paths, ofDataIn(dir, data))
		if d.Address != "" {
			paths = append(paths, filepath.Join(dir, nameOf(d.Address)+".door"))
		}
	}
	for _, p := range paths {
		if failed := wholefile.Write(p, raw); failed != nil {
			err = errors.Join(err, failed)
			_ = os.Remove(p)
		}
	}
	return func() {
		for _, p := range paths {
			if held, err := readDoor(p); err == nil && held.Token == d.Token {
				_ = os.Remove(p) // a door without a daemon only misleads
			}
		}
	}, err
}

// ofDataIn is where the door of a data folder stands in the folder of doors.
func ofDataIn(dir, data string) string {
	if full, err := filepath.Abs(data); err == nil {
		data = full
	}
	return filepath.Join(dir, nameOf("data "+data)+".door")
}

// OfData is the door of the daemon that runs on a data folder.
func OfData(data string) (Door, error) {
	d, err := readDoor(filepath.Join(data, doorFile))
	if err == nil {
		return d, nil
	}
	for _, dir := range folders() {
		if d, failed := readDoor(ofDataIn(dir, data)); failed == nil {
			return d, nil
		}
		if d, failed := bySocket(socketOfData(dir, data), "", err); failed == nil {
			return d, nil
		}
	}
	return Door{}, err
}

// bySocket is the door of a daemon that could write none down: its socket is where
// it always is. It gives err when nobody answers there.
func bySocket(path, address string, err error) (Door, error) {
	conn, failed := net.Dial("unix", path)
	if failed != nil {
		return Door{}, err
	}
	return Door{Address: address, Socket: path}, conn.Close()
}

// socketOfData is the socket of the daemon on a data folder.
func socketOfData(dir, data string) string {
	if full, err := filepath.Abs(data); err == nil {
		data = full
	}
	return filepath.Join(dir, nameOf(data)+".sock")
}

// socketOfAddress is a link to that socket, by the daemon's address.
func socketOfAddress(dir, address string) string {
	return filepath.Join(dir, nameOf("socket at "+address)+".sock")
}

// OfAddress is the door of the daemon at an address that this user started, or of a service
// that this user may use.
func OfAddress(address string) (Door, error) {
	if _, err := folder(); err != nil {
		return Door{}, err
	}
	err := ErrNoDoor
	for _, dir := range folders() {
		d, failed := readDoor(filepath.Join(dir, nameOf(address)+".door"))
		if failed == nil {
			return d, nil
		}
		if d, failed = bySocket(socketOfAddress(dir, address), address, failed); failed == nil {
			return d, nil
		}
		err = errors.Join(err, failed)
	}
	return Door{}, err
}

func readDoor(path string) (Door, error) {
	raw, err := wholefile.Read(path, maxDoor)
	if err != nil {
		return Door{}, fmt.Errorf("%w: %w", ErrNoDoor, err)
	}
	return parseDoor(raw)
}

func parseDoor(raw []byte) (d Door, err error) {
	if err := json.Unmarshal(raw, &d); err != nil || d.Token == "" || len(d.Key) != 0 && len(d.Key) != ed25519.PublicKeySize {
		return Door{}, fmt.Errorf("%w: what it wrote down is damaged", ErrNoDoor)
	}
	return d, nil
}

// nameOf makes a file name of an address; localhost is its number, and what listens on
// every address is found by it too.
func nameOf(address string) string {
	if host, port, err := net.SplitHostPort(address); err == nil {
		if ip := net.ParseIP(host); host == "localhost" || host == "" || ip != nil && ip.IsUnspecified() {
			address = net.JoinHostPort("127.0.0.1", port)
		}
	}
	sum := sha256.Sum256([]byte(address))
	return hex.EncodeToString(sum[:8])
}

// folder is where the doors of this user's daemons stand: only this user can
// enter it. A user without a home, as services have, gets one among the temporary files.
func folder() (string, error) {
	var err error
	for _, base := range bases() {
		dir := filepath.Join(base, "thawtrail")
		// Nothing is synced: no door outlives its daemon, so none has to outlive a power cut.
		failed := os.MkdirAll(dir, 0o700) // #nosec G703 -- the folder of this user, by its own environment
		if failed != nil {
			err = errors.Join(err, failed)
			continue
		}
		if err := onlyOurs(dir); err != nil {
			return "", fmt.Errorf("folder of local doors: %s: %w", dir, err)
		}
		return dir, nil
	}
	return "", fmt.Errorf("folder of local doors: %w", err)
}

// bases are where the folder of this user's doors may be, the best place first.
func bases() (out []string) {
	if dir := os.Getenv("XDG_RUNTIME_DIR"); dir != "" {
		return []string{dir}
	}
	if dir, err := os.UserCacheDir(); err == nil {
		out = append(out, dir)
	}
	return append(out, filepath.Join(os.TempDir(), fmt.Sprintf("thawtrail-%d", os.Getuid())))
}

// folderOf is the folder of a service's doors, or that of this user's when it is no service.
func folderOf(service string) (string, error) {
	if service == "" {
		return folder()
	}
	if err := notEveryones(service); err != nil {
		return "", fmt.Errorf("folder of the service's doors: %s: %w", service, err)
	}
	return service, nil
}

// folders are where a command looks for doors: this user's, then those of the services that
// it may enter.
func folders() (out []string) {
	if dir, err := folder(); err == nil {
		out = append(out, dir)
	}
	for _, dir := range []string{os.Getenv(envDoors), ServiceFolder(runtime.GOOS, "agent"), ServiceFolder(runtime.GOOS, "server")} {
		if dir != "" && notEveryones(dir) == nil {
			out = append(out, dir)
		}
	}
	return out
}

// envDoors names the folder of a service's doors that lie elsewhere, to the service as its
// flag --doors and to commands.
const envDoors = "THAWTRAIL_DOORS"

// ServiceFolder is where the doors of agent or server stand on a system when it is a
// service. Only an administrator can make it there.
func ServiceFolder(system, program string) string {
	switch system {
	case "windows":
		return `C:\ProgramData\thawtrail\` + program + "-doors"
	case "darwin":
		return "/Library/Application Support/thawtrail/" + program + "-doors"
	}
	return "/run/thawtrail-" + program
}
