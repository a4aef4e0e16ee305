package cli

import (
	"context"
	"crypto/rand"
	"errors"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"thawtrail/internal/refusal"
	"thawtrail/internal/service"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
)

// serviceForm is what a command about a service is told.
type serviceForm struct {
	passphrase, key, users, show, system, json *flagOf
	runs                                       service.Runner
}

// serviceCommands are the commands that make agent and server services of this system.
func (d *console) serviceCommands() (out []ownCommand) {
	for _, act := range service.Acts {
		out = append(out, ownCommand{"service " + act, d.serviceCommand(act)})
	}
	return out
}

// servicePrograms are the programs that can be a service, in words.
const servicePrograms = "agent, server or host"

var serviceShorts = map[string]string{
	"install":   "Make agent or server a service, which starts with this machine",
	"uninstall": "Take the service away; data, settings and secret stay",
	"start":     "Start the service",
	"stop":      "Stop the service, after what it is doing",
	"status":    "How the service stands, and where its data, logs and doors lie",
}

func (d *console) serviceCommand(act string) *cobra.Command {
	f := &serviceForm{
		passphrase: &flagOf{name: "passphrase-file", metavar: "FILE", help: "a file with the passphrase of the data folder; it is copied to where the service alone reads it"},
		key:        &flagOf{name: "key-file", metavar: "FILE", help: "the same with a key file; one is drawn when neither is told"},
		users:      &flagOf{name: "for", metavar: metaText, help: "a user of this machine who may use it; may be repeated", many: true},
		show:       &flagOf{name: "show", metavar: metaSwitch, help: "print what would be done, and do nothing"},
		system:     &flagOf{name: "system", metavar: "WORD", help: "with --show: linux, darwin or windows (" + runtime.GOOS + ")"},
		json:       jsonFlag(), runs: service.System,
	}
	cmd := &cobra.Command{
		Use: act + " agent|server|host", Short: serviceShorts[act], Example: "service " + act + " server",
		Args: oneWord(servicePrograms), DisableFlagsInUseLine: true, ValidArgs: service.Programs,
	}
	if act == "install" {
		bindFlags(cmd.Flags(), f.passphrase, f.key, f.users)
	}
	if act != "status" {
		bindFlags(cmd.Flags(), f.show, f.system)
	}
	bindCommon(cmd.Flags(), f.json)
	cmd.RunE = func(cmd *cobra.Command, words []string) error { return d.serve(cmd.Context(), f, act, words[0]) }
	return cmd
}

func (d *console) serve(ctx context.Context, f *serviceForm, act, program string) error {
	s, err := f.service(program)
	if err != nil {
		return err
	}
	steps := s.Steps(act)
	if f.show.text() == "true" {
		return d.showSteps(f, s, steps)
	}
	if f.system.given() {
		return refusal.New("system", f.system.text(), "--system together with --show")
	}
	if err := service.Supported(s.System); err != nil {
		return err
	}
	if act != "status" && !administrator() {
		return refusal.Conflict("service", program, "the administrator of this machine").Because("`sudo thawtrail service " + act + " " + program + "`")
	}
	if err := service.Do(ctx, steps, f.secret, f.runs); err != nil {
		return err
	}
	return d.tellService(ctx, f, s, act)
}

// service is the service that was asked for, on this system or on the one to be shown.
func (f *serviceForm) service(program string) (service.Service, error) {
	if !slices.Contains(service.Programs, program) {
		return service.Service{}, refusal.New("program", program, servicePrograms)
	}
	if program == service.Host && (f.passphrase.given() || f.key.given()) {
		return service.Service{}, refusal.New("key_file", "", "no secret for a host: each practice has its own, in the folder of keys")
	}
	if f.passphrase.given() && f.key.given() {
		return service.Service{}, refusal.New("passphrase_file", f.passphrase.text(), "one of --passphrase-file and --key-file")
	}
	system := runtime.GOOS
	if f.system.given() {
		system = f.system.text()
	}
	binary, err := os.Executable()
	if err != nil {
		return service.Service{}, err
	}
	s := service.New(system, program, binary, f.passphrase.given())
	switch {
	case s.Steps("install") != nil:
	case program == service.Host:
		return s, refusal.New("system", system, "linux, where a host can be a service")
	default:
		return s, refusal.New("system", system, "linux, darwin or windows")
	}
	s.For = f.users.texts
	if s.Backups, err = backupsOf(s); err != nil {
		return s, err
	}
	_, absent := os.Stat(s.PackagedUnit())
	s.Packaged = runtime.GOOS == "linux" && s.System == "linux" && binary == service.PackagedBinary && absent == nil
	return s, nil
}

// backupsOf is the folder of backups that the settings of a service of this machine name.
func backupsOf(s service.Service) (string, error) {
	if s.System != runtime.GOOS {
		return "", nil
	}
	if _, err := os.Stat(s.Settings); err != nil {
		return "", nil
	}
	var from *settings
	for _, d := range daemons() {
		if d.section == s.Program {
			from = d
		}
	}
	from.file.texts = []string{s.Settings}
	inFile, err := from.readFile()
	if err != nil {
		return "", err
	}
	if dir := inFile["backup-to"]; dir == "" || filepath.IsAbs(dir) {
		return dir, nil
	}
	return "", refusal.New("backup_to", inFile["backup-to"], "the whole path of a folder, in "+s.Settings)
}

// secret is what opens the folder: a copy of what was told, or a new key.
func (f *serviceForm) secret() ([]byte, error) {
	switch {
	case f.passphrase.given():
		if _, err := vault.ReadPassphrase(f.passphrase.text()); err != nil {
			return nil, err
		}
		return wholefile.Read(f.passphrase.text(), vault.MaxSecretFile)
	case f.key.given():
		if _, err := vault.ReadKeyFile(f.key.text()); err != nil {
			return nil, err
		}
		return wholefile.Read(f.key.text(), vault.MaxSecretFile)
	}
	key := make([]byte, vault.KeySize)
	if _, err := io.ReadFull(rand.Reader, key); err != nil {
		return nil, errors.Join(errors.New("no randomness for a key"), err)
	}
	return key, nil
}

// administrator says whether this user may change the system. Windows says so itself, at
// the first step.
func administrator() bool { return runtime.GOOS == "windows" || os.Geteuid() == 0 }

// showSteps prints what would be done, with each file's text.
func (d *console) showSteps(f *serviceForm, s service.Service, steps []service.Step) error {
	if f.json.text() == "true" {
		var rows []map[string]any
		for _, step := range steps {
			rows = append(rows, map[string]any{"step": step.String(), "file": step.File, "text": step.Text})
		}
		return d.object(map[string]any{"service": s.Name(), "steps": rows})
	}
	p := newPage(d.out)
	for _, step := range steps {
		p.line(step.String())
		for l := range strings.Lines(step.Text) {
			p.line("    " + strings.TrimRight(l, "\n"))
		}
	}
	return nil
}

func (d *console) tellService(ctx context.Context, f *serviceForm, s service.Service, act string) error {
	state := service.StateOf(ctx, s, f.runs)
	logs := s.Logs
	if logs == "" {
		logs = "journalctl --unit " + s.Name()
	}
	if f.json.text() == "true" {
		return d.object(map[string]any{
			"service": s.Name(), "state": state, "data": s.Data, "settings": s.Settings, "secret": s.Secret, "keys": s.Keys, "logs": logs, "doors": s.Doors,
		})
	}
	opens := [2]string{"secret", s.Secret}
	if s.Program == service.Host {
		opens = [2]string{"keys", s.Keys}
	}
	p := newPage(d.out)
	p.pairs([][2]string{
		{s.Name(), strings.ReplaceAll(string(state), "_", " ")}, {"data", s.Data}, {"settings", s.Settings}, opens, {"logs", logs}, {"doors", s.Doors},
	})
	if next := nextStep(s, act); next != "" {
		p.blank()
		p.wrap("", next)
	}
	return nil
}

// nextStep says what is to be done after an installation.
func nextStep(s service.Service, act string) string {
	if act != "install" {
		return ""
	}
	if s.Program == service.Host {
		return "Next, as the administrator, for each practice: `thawtrail server init --data " + s.Data + "/NAME --key-file " + s.Keys + "/NAME.key …`, then `thawtrail service start host`. One that is begun while it runs is begun as the service: `sudo -u " + service.User + " thawtrail server init …`. The keys lie on this machine: without an encrypted disk, whoever takes the machine reads the books."
	}
	opened := "--key-file " + s.Secret
	if s.Passphrase {
		opened = "--passphrase-file " + s.Secret
	}
	if s.Program == "server" {
		return "Next, as the administrator: `thawtrail server init --data " + s.Data + " " + opened + " …` where no practice was begun there yet, then `thawtrail service start server`. The secret lies on this machine: without an encrypted disk, whoever takes the machine reads the books."
	}
	return "Next, as the administrator: `thawtrail agent enrol CODE --data " + s.Data + " " + opened + " …` to join a practice, then `thawtrail service start agent`. The secret lies on this machine: without an encrypted disk, whoever takes the laptop reads what it holds."
}
