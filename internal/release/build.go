package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"thawtrail/internal/cli"
	"thawtrail/internal/service"
)

// builder makes one release. All that it makes depends on the commit and on the versions
// of Go and of the tools alone: not on the machine, the folder, the day or who built it.
type builder struct {
	out      string            // where files of the release go
	scratch  string            // where everything else goes
	targets  []target          // what it is for
	version  string            // as the program tells it
	at       time.Time         // of the commit; every file bears it
	programs map[target][]byte // as built
	texts    texts
}

// texts are what goes with the program on every system.
type texts struct {
	manuals     map[string]string // by the name of the file
	completions map[string][]byte // by the name of the shell
	docs        []entry           // without a folder
	watching    []entry           // for a monitor, without a folder
}

// build writes all files of a release for some systems into an empty folder.
func build(ctx context.Context, out string, of []target) error {
	scratch, err := os.MkdirTemp("", "release")
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(scratch) }()
	b := &builder{out: out, scratch: scratch, targets: of, programs: map[target][]byte{}}
	for _, step := range []func(context.Context) error{
		b.begin, b.buildPrograms, b.askProgram, b.writeTexts, b.writeArchives, b.writePackages, b.writeParts, b.writeSums,
	} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	return nil
}

// begin makes the folder. A file of an earlier release in it would get into the sums.
func (b *builder) begin(context.Context) error {
	if err := os.MkdirAll(b.out, 0o755); err != nil { // #nosec G301 -- a release is for everybody
		return err
	}
	there, err := os.ReadDir(b.out)
	if err == nil && len(there) > 0 {
		err = fmt.Errorf("%s is not empty: a release goes into a folder of its own", b.out)
	}
	return err
}

// buildPrograms builds for this machine too, which asks the program about itself.
func (b *builder) buildPrograms(ctx context.Context) error {
	all := b.targets
	if !slices.Contains(all, here()) {
		all = append(slices.Clone(all), here())
	}
	for _, t := range all {
		fmt.Fprintln(os.Stderr, "building for "+t.String())
		env := append(t.env(), "GOFLAGS=", "GOAMD64=v1", "GOARM64=v8.0", "GOEXPERIMENT=")
		if _, err := goCommand(ctx, env, "build", "-trimpath", "-buildvcs=true", "-ldflags=-s -w", "-o", b.built(t), "./cmd/thawtrail"); err != nil {
			return err
		}
		program, err := os.ReadFile(b.built(t))
		if err != nil {
			return err
		}
		b.programs[t] = program
	}
	return nil
}

// built is where the program for a system lies.
func (b *builder) built(t target) string {
	return filepath.Join(b.scratch, t.os+"-"+t.arch, t.program())
}

func (t target) program() string {
	if t.os == "windows" {
		return "thawtrail.exe"
	}
	return "thawtrail"
}

// here is the target that this machine can run.
func here() target { return target{runtime.GOOS, runtime.GOARCH} }

// askProgram learns from the program itself what it was built from.
func (b *builder) askProgram(ctx context.Context) error {
	raw, err := command(ctx, nil, b.built(here()), "version", "--json")
	if err != nil {
		return err
	}
	var told struct {
		Program  string `json:"program"`
		Commit   string `json:"commit"`
		CommitAt string `json:"commit_at"`
		Dirty    bool   `json:"dirty"`
	}
	if err := json.Unmarshal([]byte(raw), &told); err != nil {
		return err
	}
	switch {
	case told.Commit == "":
		return errors.New("the program does not know its commit: build in a clone, with git")
	case told.Dirty:
		return errors.New("there are changes that are in no commit, and nobody could build this release again: commit them first")
	}
	b.version = told.Program
	b.at, err = time.Parse(time.RFC3339, told.CommitAt)
	return err
}

// shells are those that the program writes completions for.
var shells = []string{"bash", "fish", "powershell", "zsh"}

func (b *builder) writeTexts(ctx context.Context) (err error) {
	if b.texts.manuals, err = cli.Manuals(b.version, b.at.UTC().Format(time.DateOnly)); err != nil {
		return err
	}
	b.texts.completions = map[string][]byte{}
	for _, shell := range shells {
		script, err := command(ctx, nil, b.built(here()), "completion", shell)
		if err != nil {
			return err
		}
		b.texts.completions[shell] = []byte(script)
	}
	if b.texts.docs, err = filesOf("README.md", "cmd/thawtrail/shipped/changes.txt", noticesFile); err != nil {
		return err
	}
	b.texts.watching, err = filesOf(watchingFiles...)
	return err
}

// watchingFiles are what a monitor of the practice's machines is told.
var watchingFiles = []string{"cmd/thawtrail/shipped/alerts.yaml", "cmd/thawtrail/shipped/dashboard.json"}

// filesOf reads files that everybody may read, without their folders.
func filesOf(paths ...string) (out []entry, err error) {
	for _, path := range paths {
		body, err := os.ReadFile(path)
		if err != nil {
			return nil, err
		}
		out = append(out, entry{filepath.Base(path), 0o644, body})
	}
	return out, nil
}

// settingsFile is what a system's own settings begin as.
const settingsFile = "thawtrail.toml"

// writeArchives writes what is unpacked by hand.
func (b *builder) writeArchives(context.Context) error {
	for _, t := range b.targets {
		pack, ending := tarball, ".tar.gz"
		if t.os == "windows" {
			pack, ending = zipped, ".zip"
		}
		folder := b.named(t)
		all := append(b.archived(t), entry{settingsFile, 0o644, []byte(service.SettingsText)})
		for i := range all {
			all[i].name = folder + "/" + all[i].name
		}
		body, err := pack(all, b.at)
		if err != nil {
			return err
		}
		if err := b.write(folder+ending, body); err != nil {
			return err
		}
	}
	return nil
}

// archived are the files of an archive, from its folder on.
func (b *builder) archived(t target) []entry {
	all := []entry{{t.program(), 0o755, b.programs[t]}}
	all = append(all, b.texts.docs...)
	for _, w := range b.texts.watching {
		all = append(all, entry{"watching/" + w.name, w.mode, w.body})
	}
	if t.os == "windows" {
		return append(all, entry{"completions/thawtrail.ps1", 0o644, b.texts.completions["powershell"]})
	}
	for _, shell := range []string{"bash", "fish", "zsh"} {
		all = append(all, entry{"completions/" + completionName[shell], 0o644, b.texts.completions[shell]})
	}
	for _, name := range sortedKeys(b.texts.manuals) {
		all = append(all, entry{"man/man1/" + name, 0o644, []byte(b.texts.manuals[name])})
	}
	return all
}

// completionName is the name that each shell looks for.
var completionName = map[string]string{"bash": "thawtrail", "fish": "thawtrail.fish", "zsh": "_thawtrail"}

// named is how files for a system begin.
func (b *builder) named(t target) string {
	return "thawtrail_" + b.version + "_" + t.os + "_" + t.arch
}

// writeParts lists the libraries in each program, as the program itself tells them, in
// the CycloneDX form.
func (b *builder) writeParts(ctx context.Context) error {
	for _, t := range b.targets {
		parts, err := command(ctx, nil, "cyclonedx-gomod", "bin", "-json", "-std", "-noserial", "-notimestamp", "-version", "v"+b.version, b.built(t))
		if err != nil {
			return err
		}
		if err := b.write(b.named(t)+".cdx.json", []byte(parts)); err != nil {
			return err
		}
	}
	return nil
}

// sumsFile is what `sha256sum --check` reads.
const sumsFile = "SHA256SUMS"

func (b *builder) writeSums(context.Context) error {
	files, err := os.ReadDir(b.out)
	if err != nil {
		return err
	}
	var lines bytes.Buffer
	for _, f := range files {
		sum, err := sumOf(filepath.Join(b.out, f.Name()))
		if err != nil {
			return err
		}
		fmt.Fprintf(&lines, "%s  %s\n", sum, f.Name())
	}
	return b.write(sumsFile, lines.Bytes())
}

func sumOf(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

func (b *builder) write(name string, body []byte) error {
	return os.WriteFile(filepath.Join(b.out, name), body, 0o644) // #nosec G306 -- a release is for everybody
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// packageVersion orders what packages are made of between releases: by the time of the
// commit, and all before the release that they lead to.
func packageVersion(version string, at time.Time) string {
	release, commit, between := strings.Cut(version, "+")
	if !between {
		return release
	}
	return release + "~" + at.UTC().Format("20060102.150405") + "+" + commit
}
