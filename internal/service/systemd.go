package service

import (
	"context"
	"fmt"
	"path"
	"strings"
)

// User is whom a service runs as, on systems whose users have names of one word. Who is in
// the group of this name may use the service.
const User = "thawtrail"

// Sysusers tells systemd-sysusers of that user, for packages.
const Sysusers = "u " + User + " - \"thawtrail\" /nonexistent /usr/sbin/nologin\n"

// loads hands the secret to the service. Of a host the service itself reads the keys of its
// practices, for a practice that is begun while it runs has a key that no start could load.
func (s Service) loads() string {
	if s.Program == Host {
		return ""
	}
	return fmt.Sprintf("LoadCredential=%s:%s\n", path.Base(s.Secret), s.Secret)
}

// Unit is the service as systemd reads it (systemd.service(5), systemd.exec(5)), of version
// 247 or later. The secret is read by systemd as root and handed to this service alone
// (LoadCredential): not even the service's own user can open its file.
func (s Service) Unit() string {
	secret := path.Base(s.Secret)
	return fmt.Sprintf(`[Unit]
Description=%s
After=network.target
StartLimitIntervalSec=0

[Service]
Type=notify
ExecStart=%s
ExecReload=/bin/kill -HUP $MAINPID
%sRestart=on-failure
RestartSec=5
TimeoutStartSec=15min
TimeoutStopSec=60
User=%s
Group=%s
UMask=0077
StateDirectory=thawtrail/%s
StateDirectoryMode=0700
RuntimeDirectory=%s
RuntimeDirectoryMode=0750
%s
[Install]
WantedBy=multi-user.target
`, s.Title(), unitLine(s.command("${CREDENTIALS_DIRECTORY}/"+secret)), s.loads(), User, User, s.Program, s.Name(), hardening)
}

// hardening takes away what neither program needs. AF_NETLINK tells an agent its addresses,
// which it shows beside the code for phones.
const hardening = `
NoNewPrivileges=yes
CapabilityBoundingSet=
AmbientCapabilities=
PrivateDevices=yes
PrivateTmp=yes
PrivateUsers=yes
ProtectClock=yes
ProtectControlGroups=yes
ProtectHome=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectProc=invisible
ProtectSystem=strict
DevicePolicy=closed
LockPersonality=yes
MemoryDenyWriteExecute=yes
RemoveIPC=yes
RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX AF_NETLINK
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged @resources
SystemCallErrorNumber=EPERM
`

// unitLine is a command as a line of a unit.
func unitLine(words []string) string {
	for i, w := range words {
		if strings.ContainsAny(w, " \t") {
			words[i] = `"` + w + `"`
		}
	}
	return strings.Join(words, " ")
}

// PackagedBinary is where a package puts the program, for the units beside it.
const PackagedBinary = "/usr/bin/thawtrail"

// PackagedUnit is where a package puts the unit. systemd reads one in /etc in its place, for
// ever (systemd.unit(5), Unit File Load Path): so none is written where a package looks after it.
func (s Service) PackagedUnit() string { return "/usr/lib/systemd/system/" + s.Name() + ".service" }

func (s Service) unitFile() string { return "/etc/systemd/system/" + s.Name() + ".service" }

// secretFile says what is otherwise than in the package's unit, and nothing else.
func (s Service) secretFile() string {
	return "/etc/systemd/system/" + s.Name() + ".service.d/secret.conf"
}

// otherSecret puts a passphrase in the place of the package's key. An empty assignment takes
// back what the unit says (systemd.exec(5), systemd.service(5)).
func (s Service) otherSecret() string {
	secret := path.Base(s.Secret)
	return fmt.Sprintf("[Service]\nLoadCredential=\nLoadCredential=%s:%s\nExecStart=\nExecStart=%s\n", secret, s.Secret, unitLine(s.command("${CREDENTIALS_DIRECTORY}/"+secret)))
}

// backupsFile opens the folder of backups to the unit, whoever wrote that.
func (s Service) backupsFile() string {
	return "/etc/systemd/system/" + s.Name() + ".service.d/backups.conf"
}

// openBackups lets the service write into the folder of its backups. A disk that is not there
// keeps it from no start (the dash, systemd.exec(5)).
func (s Service) openBackups() []Step {
	if s.Backups == "" {
		return []Step{{Remove: s.backupsFile()}}
	}
	return []Step{
		{Folder: path.Dir(s.backupsFile()), Mode: 0o755},
		{File: s.backupsFile(), Text: "[Service]\nReadWritePaths=-" + unitLine([]string{s.Backups}) + "\n", Mode: 0o644},
	}
}

// systemdUnit puts the unit where systemd finds it, or leaves that to the package.
func systemdUnit(s Service) []Step {
	reload := Step{Run: []string{"systemctl", "daemon-reload"}}
	if !s.Packaged {
		return []Step{{Remove: s.secretFile()}, {File: s.unitFile(), Text: s.Unit(), Mode: 0o644}, reload, {Run: []string{"systemctl", "enable", s.Name()}}}
	}
	secret := []Step{{Remove: s.secretFile()}}
	if s.Passphrase {
		secret = []Step{{Folder: path.Dir(s.secretFile()), Mode: 0o755}, {File: s.secretFile(), Text: s.otherSecret(), Mode: 0o644}}
	}
	// What was enabled may point to the file that goes.
	return append(append([]Step{{Remove: s.unitFile()}}, secret...), reload, Step{Run: []string{"systemctl", "reenable", s.Name()}})
}

func systemdInstall(s Service) []Step {
	steps := []Step{
		{Unless: []string{"id", "-u", User}, Run: []string{"useradd", "--system", "--user-group", "--no-create-home", "--home-dir", "/nonexistent", "--shell", "/usr/sbin/nologin", User}},
		{Folder: path.Dir(s.Settings), Mode: 0o755},
		{File: s.Settings, Text: SettingsText, Keep: true, Mode: 0o644},
	}
	if s.Program == Host {
		steps = append(steps, Step{Folder: s.Keys, Mode: 0o700})
	} else {
		steps = append(steps, Step{File: s.Secret, Secret: true, Keep: true, Mode: 0o600})
	}
	steps = append(steps, Step{Folder: path.Dir(s.Data), Mode: 0o755}, Step{Folder: s.Data, Mode: 0o700}, s.owned())
	steps = append(steps, s.openBackups()...)
	steps = append(steps, systemdUnit(s)...)
	for _, user := range s.For {
		steps = append(steps, Step{Run: []string{"usermod", "--append", "--groups", User, user}})
	}
	return steps
}

func systemdUninstall(s Service) []Step {
	return []Step{
		{Run: []string{"systemctl", "disable", "--now", s.Name()}, Anyway: true},
		{Remove: s.unitFile()},
		{Remove: s.secretFile()},
		{Remove: s.backupsFile()},
		{Run: []string{"systemctl", "daemon-reload"}},
	}
}

// owned gives the service what it alone reads.
func (s Service) owned() Step {
	chown := []string{"chown", "-RhP", User + ":" + User, s.Data}
	if s.Keys != "" {
		chown = append(chown, s.Keys)
	}
	return Step{Run: chown}
}

// systemdStart gives the folder to the service first: an administrator may have begun the
// practice in it.
func systemdStart(s Service) []Step {
	return []Step{s.owned(), {Run: []string{"systemctl", "start", s.Name()}}}
}

func systemdStop(s Service) []Step {
	return []Step{{Run: []string{"systemctl", "stop", s.Name()}}}
}

func systemdState(ctx context.Context, s Service, run Runner) State {
	printed, _ := run(ctx, []string{"systemctl", "is-active", s.Name()})
	switch strings.TrimSpace(printed) {
	case "active", "reloading":
		return Running
	case "activating":
		return Starting
	case "failed":
		return Failed
	}
	if _, err := run(ctx, []string{"systemctl", "cat", s.Name()}); err != nil {
		return NotInstalled
	}
	return Stopped
}
