package service

import (
	"context"
	"strings"
)

// account is whom a service runs as on Windows: a virtual account that the system makes for
// this one service, without a password, a home or a log-in.
func (s Service) account() string { return `NT SERVICE\` + s.Name() }

// administrators is the group of that name in every language of Windows.
const administrators = "*S-1-5-32-544"

// alone gives a path an access list that takes nothing from above. An administrator may
// begin the practice in the folder: what is made there inherits the list.
func alone(path string, grants ...string) Step {
	return Step{Run: append([]string{"icacls.exe", path, "/inheritance:r", "/grant:r"}, grants...)}
}

func scInstall(s Service) []Step {
	name := s.Name()
	full := []string{s.account() + ":(OI)(CI)F", administrators + ":(OI)(CI)F"}
	doors := full
	for _, user := range s.For {
		doors = append(doors[:len(doors):len(doors)], user+":(OI)(CI)R")
	}
	logs := s.Logs[:strings.LastIndex(s.Logs, `\`)]
	return []Step{
		{Folder: s.Data, Mode: 0o700}, {Folder: s.Doors, Mode: 0o700}, {Folder: logs, Mode: 0o700},
		{File: s.Settings, Text: SettingsText, Keep: true, Mode: 0o644},
		{File: s.Secret, Secret: true, Keep: true, Mode: 0o600},
		{Unless: []string{"sc.exe", "query", name}, Run: []string{"sc.exe", "create", name, "binPath=", quoted(s.command(s.Secret)), "obj=", s.account(), "start=", "auto", "DisplayName=", s.Title()}},
		{Run: []string{"sc.exe", "failure", name, "reset=", "86400", "actions=", "restart/5000/restart/5000/restart/60000"}},
		{Run: []string{"sc.exe", "failureflag", name, "1"}},
		{Run: []string{"sc.exe", "sidtype", name, "unrestricted"}},
		{Run: []string{"sc.exe", "privs", name, "SeChangeNotifyPrivilege"}},
		alone(s.Data, full...), alone(s.Doors, doors...), alone(logs, full...),
		alone(s.Secret, s.account()+":R", administrators+":F"),
		alone(s.Settings, s.account()+":R", administrators+":F", "*S-1-5-32-545:R"),
	}
}

func scUninstall(s Service) []Step {
	return append(anyway(scStop(s)), Step{Run: []string{"sc.exe", "delete", s.Name()}})
}

func scStart(s Service) []Step { return []Step{{Run: []string{"sc.exe", "start", s.Name()}}} }

// scStop waits until it is stopped, as sc.exe alone does not.
func scStop(s Service) []Step { return []Step{{Run: []string{"net.exe", "stop", s.Name()}}} }

// scState reads the number of the state, which is the same in every language.
func scState(ctx context.Context, s Service, run Runner) State {
	printed, err := run(ctx, []string{"sc.exe", "query", s.Name()})
	if err != nil {
		return NotInstalled
	}
	for line := range strings.Lines(printed) {
		key, value, _ := strings.Cut(line, ":")
		if strings.TrimSpace(key) != "STATE" {
			continue
		}
		switch value = strings.TrimSpace(value); value[:min(1, len(value))] {
		case "4", "3":
			return Running
		case "2":
			return Starting
		}
	}
	return Stopped
}
