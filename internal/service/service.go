// Package service makes agent and server services of the system: started before anybody
// logs in, started again when they fail, as a user of their own without a home and with the
// least rights, and opened without a person.
//
// What each system is told is text (systemd.go, launchd.go, sc.go), made from one Service.
// What is done to install, start, stop and remove one is a list of Steps, which can be
// shown before it is done. Do does them, by the system's own commands.
//
// A service opens its data folder with a secret that lies on the same machine, readable by
// the service alone. Against somebody who takes the whole machine this is worth no more than
// the encryption of its disk is: where that is not there, the thief reads the books.
//
// Run and Ready are the other side: what a program does when it is such a service.
package service

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/local"
	"thawtrail/internal/wholefile"
)

// Places are where things of a service lie on a system.
type Places struct {
	Data     string // its replica; of a host the folder of its practices
	Settings string // the file of settings, one for agent and server
	Secret   string // what opens the data folder; of a host none
	Keys     string // of a host: the folder with what opens each practice
	Logs     string // a file, or empty where the system keeps logs itself
	Doors    string // how commands of people who may use it find it
}

// Host is the program that serves many practices. It is a service of systemd alone.
const Host = "host"

// Programs are those that can be a service.
var Programs = []string{"agent", "server", Host}

// Service is agent or server as a service of one system.
type Service struct {
	System  string // as Go names it: linux, darwin, windows
	Program string // one of Programs
	Binary  string // the program's file
	// Passphrase: the secret is a passphrase, and not a key.
	Passphrase bool
	// Packaged: a package brought the unit and the program, and brings newer ones (systemd).
	Packaged bool
	// For are users of this machine who may use it.
	For []string
	// Backups is the folder into which it saves all records by itself, as its settings say;
	// empty: none. systemd lets it write there and nowhere else beside its data.
	Backups string
	Places
}

// New is the service of a program with each thing where the system's conventions put it.
func New(system, program, binary string, passphrase bool) Service {
	s := Service{System: system, Program: program, Binary: binary, Passphrase: passphrase}
	secret := program + ".key"
	if passphrase {
		secret = program + ".passphrase"
	}
	s.Doors = local.ServiceFolder(system, program)
	switch system {
	case "windows":
		const base = `C:\ProgramData\thawtrail\`
		s.Data, s.Settings, s.Secret, s.Logs = base+program, base+"thawtrail.toml", base+secret, base+`logs\`+program+".log"
	case "darwin":
		const base = "/Library/Application Support/thawtrail/"
		s.Data, s.Settings, s.Secret, s.Logs = base+program, base+"thawtrail.toml", base+secret, "/Library/Logs/thawtrail/"+program+".log"
	default:
		s.Data, s.Settings, s.Secret = "/var/lib/thawtrail/"+program, "/etc/thawtrail/thawtrail.toml", "/etc/thawtrail/"+secret
	}
	if program == Host {
		s.Secret, s.Keys = "", "/etc/thawtrail/keys"
	}
	return s
}

// Name is how the system calls it.
func (s Service) Name() string { return "thawtrail-" + s.Program }

// Title is how people read it in the system's list.
func (s Service) Title() string {
	switch s.Program {
	case "server":
		return "thawtrail: the clinic's server"
	case Host:
		return "thawtrail: the server of many practices"
	}
	return "thawtrail: this machine's agent"
}

// command is what the system starts; secret is where the service finds it then.
func (s Service) command(secret string) []string {
	if s.Program == Host {
		return []string{s.Binary, "server", "host", "--practices", s.Data, "--keys", s.Keys, "--settings", s.Settings, "--doors", s.Doors}
	}
	flag := "--key-file"
	if s.Passphrase {
		flag = "--passphrase-file"
	}
	out := []string{s.Binary, s.Program, "--data", s.Data, "--settings", s.Settings, "--doors", s.Doors, flag, secret}
	if s.Logs != "" {
		out = append(out, "--log-file", s.Logs)
	}
	return out
}

// SettingsText is the file of settings that an installation begins with.
const SettingsText = `# Settings of thawtrail's services. What stands behind a # is how it is without.
# 'thawtrail config agent' or 'thawtrail config server' shows what counts, and
# 'thawtrail server --help' or 'thawtrail agent --help' what each setting does. What the
# service itself says counts first: data, doors, log-file, and the file that opens the data.

[server]
# Laptops come in here. 0.0.0.0 stands for every address of this machine.
# listen = "127.0.0.1:4270"
# Pages: of this machine, or of the clinic's network, such as "0.0.0.0:4280".
# pages = ""
# Metrics are for this machine alone, such as "127.0.0.1:4282".
# metrics = ""
# What people call this machine.
# name = "clinic"
# A PostgreSQL that holds records and secrets in place of the data folder. The file of its
# password is named by PGPASSFILE; a password in here would be read by whoever reads this.
# database = ""
# A folder that is there, best on another disk, into which all records are saved by
# themselves; every 12h, 7d and the like; how many stay.
# backup-to = ""
# backup-every = "1d"
# backup-keep = "14"
# debug, info, warn or error; text or json.
# log-level = "info"
# log-as = "text"

[agent]
# The clinic's server; several addresses are tried in turn, divided by commas.
# server = ""
# Commands of this machine come in here.
# listen = "127.0.0.1:4271"
# pages = ""
# Paired phones come in here, such as "0.0.0.0:4290".
# phone = ""
# metrics = ""
# name = ""
# backup-to = ""
# backup-every = "1d"
# backup-keep = "14"
# log-level = "info"
# log-as = "text"

# The server of many practices ('thawtrail service install host').
[host]
# A PostgreSQL that holds the practices in place of their folders, as above; and where the
# other processes that serve it reach this one.
# database = ""
# listen = "127.0.0.1:4270"
# reached = ""
# metrics = ""
# The practice of laptops that call none by name.
# bare = ""
# Networks whose connections begin with a PROXY header, such as "10.0.0.0/24".
# balancers = ""
# How many practices are open at once, and how long one stays open without a link.
# open = "64"
# idle = "10m"
# How many GiB the indexes of closed practices of a database may take on this machine.
# index-gib = "8"
# backup-to = ""
# backup-every = "1d"
# backup-keep = "14"
# log-level = "info"
# log-as = "text"
`

// Step is one thing that is done to the system: a command of its own, a folder or a file.
type Step struct {
	Run    []string // a command
	Unless []string // is not run when this one succeeds: it was done before
	Anyway bool     // its failure is none: there may be nothing to do
	Folder string
	File   string
	Text   string // of the file
	Keep   bool   // a file that is there stays as it is
	Secret bool   // the file's contents are the secret, and are shown to nobody
	Remove string // a file that goes
	Mode   fs.FileMode
}

// String shows the step as a person would type it.
func (s Step) String() string {
	switch {
	case s.Folder != "":
		return fmt.Sprintf("make the folder %s (mode %04o)", s.Folder, s.Mode)
	case s.Remove != "":
		return "remove " + s.Remove
	case s.Secret:
		return fmt.Sprintf("write the secret to %s (mode %04o), where there is none", s.File, s.Mode)
	case s.File != "":
		kept := ""
		if s.Keep {
			kept = ", where there is none"
		}
		return fmt.Sprintf("write %s (mode %04o)%s", s.File, s.Mode, kept)
	}
	return "run " + quoted(s.Run)
}

// quoted joins words, with quotes where a word has spaces.
func quoted(words []string) string {
	out := make([]string, len(words))
	for i, w := range words {
		if out[i] = w; strings.ContainsAny(w, " ()*;") {
			out[i] = `"` + w + `"`
		}
	}
	return strings.Join(out, " ")
}

// Acts are what can be done with a service.
var Acts = []string{"install", "uninstall", "start", "stop", "status"}

// Steps are what an act does.
func (s Service) Steps(act string) []Step {
	by := map[string]map[string]func(Service) []Step{
		"linux":   {"install": systemdInstall, "uninstall": systemdUninstall, "start": systemdStart, "stop": systemdStop},
		"darwin":  {"install": launchdInstall, "uninstall": launchdUninstall, "start": launchdStart, "stop": launchdStop},
		"windows": {"install": scInstall, "uninstall": scUninstall, "start": scStart, "stop": scStop},
	}[s.System]
	if by[act] == nil || s.Program == Host && s.System != "linux" {
		return nil
	}
	return by[act](s)
}

// Supported refuses a system that has no services of a kind that is known here.
func Supported(system string) error {
	switch system {
	case "darwin", "windows":
		return nil
	case "linux":
		// As sd_booted(3) asks it.
		if _, err := os.Stat("/run/systemd/system"); err == nil {
			return nil
		}
		return refusal.Conflict("service", system, "a system that systemd runs").Because("`--show` prints what would be done, for whatever starts programs here")
	}
	return refusal.Conflict("service", system, "Linux with systemd, macOS or Windows").Because("whatever starts programs here can run `thawtrail agent` or `thawtrail server` with the flags of `--help`")
}

// Runner runs one command of the system and gives what it printed.
type Runner func(ctx context.Context, words []string) (printed string, err error)

// System runs commands for real.
func System(ctx context.Context, words []string) (string, error) {
	out, err := exec.CommandContext(ctx, words[0], words[1:]...).CombinedOutput() // #nosec G204 -- the steps of this package
	text := strings.TrimSpace(string(out))
	if err != nil {
		return text, fmt.Errorf("%s: %w: %s", quoted(words), err, text)
	}
	return text, nil
}

// Do does steps, one after the other, and stops at the first that fails. Each can be done
// again. secret is what a new secret's file holds.
func Do(ctx context.Context, steps []Step, secret func() ([]byte, error), run Runner) error {
	for _, s := range steps {
		if err := s.do(ctx, secret, run); err != nil {
			return err
		}
	}
	return nil
}

func (s Step) do(ctx context.Context, secret func() ([]byte, error), run Runner) error {
	switch {
	case s.Folder != "":
		if err := os.MkdirAll(filepath.Dir(s.Folder), 0o755); err != nil { // #nosec G301 -- a folder of the system, such as /etc
			return err
		}
		return errors.Join(wholefile.MakeFolder(s.Folder), os.Chmod(s.Folder, s.Mode))
	case s.File != "":
		return s.write(secret)
	case s.Remove != "":
		if err := os.Remove(s.Remove); !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		return nil
	}
	if s.Unless != nil {
		if _, err := run(ctx, s.Unless); err == nil {
			return nil
		}
	}
	if _, err := run(ctx, s.Run); err != nil && !s.Anyway {
		return err
	}
	return nil
}

// anyway are steps whose failure is none.
func anyway(steps []Step) []Step {
	for i := range steps {
		steps[i].Anyway = true
	}
	return steps
}

func (s Step) write(secret func() ([]byte, error)) error {
	if _, err := os.Stat(s.File); err == nil && s.Keep {
		return nil
	}
	text := []byte(s.Text)
	if s.Secret {
		var err error
		if text, err = secret(); err != nil {
			return err
		}
	}
	if err := wholefile.Write(s.File, text); err != nil {
		return err
	}
	return os.Chmod(s.File, s.Mode)
}

// State is how a service stands.
type State string

// States of a service.
const (
	NotInstalled State = "not_installed"
	Stopped      State = "stopped"
	Starting     State = "starting"
	Running      State = "running"
	Failed       State = "failed"
)

// StateOf asks the system how a service stands.
func StateOf(ctx context.Context, s Service, run Runner) State {
	switch s.System {
	case "darwin":
		return launchdState(ctx, s, run)
	case "windows":
		return scState(ctx, s, run)
	}
	return systemdState(ctx, s, run)
}
