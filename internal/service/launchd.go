package service

import (
	"context"
	"encoding/xml"
	"fmt"
	"path"
	"strings"
)

// macUser is whom a service runs as on macOS, where users of the system begin with a line.
const macUser = "_" + User

// macID is that user's number: macOS leaves those below 500 to users who are no people (from
// memory).
const macID = "389"

func (s Service) label() string { return "thawtrail." + s.Program }

func (s Service) plistFile() string { return "/Library/LaunchDaemons/" + s.label() + ".plist" }

// Plist is the service as launchd reads it (launchd.plist(5)): a daemon, which starts before
// anybody logs in.
func (s Service) Plist() string {
	var words strings.Builder
	for _, w := range s.command(s.Secret) {
		words.WriteString("\n\t\t<string>")
		_ = xml.EscapeText(&words, []byte(w)) // a Builder takes everything
		words.WriteString("</string>")
	}
	return fmt.Sprintf(`<?xml version="1.0" encoding="UTF-8"?>
<!DOCTYPE plist PUBLIC "-//Apple//DTD PLIST 1.0//EN" "http://www.apple.com/DTDs/PropertyList-1.0.dtd">
<plist version="1.0">
<dict>
	<key>Label</key>
	<string>%s</string>
	<key>ProgramArguments</key>
	<array>%s
	</array>
	<key>UserName</key>
	<string>%s</string>
	<key>GroupName</key>
	<string>%s</string>
	<key>Umask</key>
	<integer>63</integer>
	<key>RunAtLoad</key>
	<true/>
	<key>KeepAlive</key>
	<dict>
		<key>SuccessfulExit</key>
		<false/>
	</dict>
	<key>ThrottleInterval</key>
	<integer>10</integer>
	<key>ExitTimeOut</key>
	<integer>60</integer>
</dict>
</plist>
`, s.label(), words.String(), macUser, macUser)
}

func launchdInstall(s Service) []Step {
	user, group := "/Users/"+macUser, "/Groups/"+macUser
	set := func(of, key, value string) Step { return Step{Run: []string{"dscl", ".", "-create", of, key, value}} }
	owned := func(dir string, mode string) Step {
		return Step{Run: []string{"install", "-d", "-o", macUser, "-g", macUser, "-m", mode, dir}}
	}
	steps := []Step{
		set(group, "PrimaryGroupID", macID),
		set(user, "UniqueID", macID), set(user, "PrimaryGroupID", macID), set(user, "UserShell", "/usr/bin/false"), set(user, "NFSHomeDirectory", "/var/empty"),
		{Folder: path.Dir(s.Settings), Mode: 0o755},
		{File: s.Settings, Text: SettingsText, Keep: true, Mode: 0o644},
		{File: s.Secret, Secret: true, Keep: true, Mode: 0o400},
		{Run: []string{"chown", macUser, s.Secret}},
		owned(s.Data, "0700"), owned(path.Dir(s.Logs), "0750"), owned(s.Doors, "0750"),
		{File: s.plistFile(), Text: s.Plist(), Mode: 0o644},
	}
	for _, user := range s.For {
		steps = append(steps, Step{Run: []string{"dseditgroup", "-o", "edit", "-a", user, "-t", "user", macUser}})
	}
	return steps
}

func launchdUninstall(s Service) []Step {
	return append(anyway(launchdStop(s)), Step{Remove: s.plistFile()})
}

func launchdStart(s Service) []Step {
	return []Step{
		{Run: []string{"chown", "-RhP", macUser + ":" + macUser, s.Data}},
		{Run: []string{"launchctl", "bootstrap", "system", s.plistFile()}},
	}
}

// launchdStop ends it until the next start of the machine or of the service.
func launchdStop(s Service) []Step {
	return []Step{{Run: []string{"launchctl", "bootout", "system/" + s.label()}}}
}

func launchdState(ctx context.Context, s Service, run Runner) State {
	printed, err := run(ctx, []string{"launchctl", "print", "system/" + s.label()})
	switch {
	case err == nil && strings.Contains(printed, "state = running"):
		return Running
	case err == nil:
		return Failed // loaded, and kept alive in vain
	}
	if _, err := run(ctx, []string{"test", "-e", s.plistFile()}); err != nil {
		return NotInstalled
	}
	return Stopped
}
