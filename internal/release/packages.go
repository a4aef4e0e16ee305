package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path"
	"path/filepath"
	"strconv"
	"strings"

	"thawtrail/internal/service"
)

// packager is one form of packages for Linux, with what it does otherwise than others.
type packager struct {
	name string // as nfpm calls it, and as its files end
	zsh  string // where that shell looks for completions
}

var packagers = []packager{
	{"deb", "usr/share/zsh/vendor-completions"},
	{"rpm", "usr/share/zsh/site-functions"},
}

// binary is where a package puts the program.
const binary = service.PackagedBinary

// recipe is what nfpm reads; JSON is YAML too.
type recipe struct {
	Name          string            `json:"name"`
	Arch          string            `json:"arch"`
	Version       string            `json:"version"`
	VersionSchema string            `json:"version_schema"`
	Maintainer    string            `json:"maintainer"`
	Description   string            `json:"description"`
	Section       string            `json:"section"`
	Priority      string            `json:"priority"`
	MTime         string            `json:"mtime"`
	Contents      []content         `json:"contents"`
	RPM           map[string]string `json:"rpm"`
	Scripts       map[string]string `json:"scripts"`
}

// content is one file of a package.
type content struct {
	Src      string   `json:"src"`
	Dst      string   `json:"dst"`
	FileInfo fileInfo `json:"file_info"`
}

type fileInfo struct {
	Mode  uint32 `json:"mode"`
	MTime string `json:"mtime"`
	Owner string `json:"owner"`
	Group string `json:"group"`
}

// writePackages writes what a system's own installer reads.
func (b *builder) writePackages(ctx context.Context) error {
	for _, t := range b.targets {
		if t.os != "linux" {
			continue
		}
		for _, p := range packagers {
			if err := b.writePackage(ctx, t, p); err != nil {
				return err
			}
		}
	}
	return nil
}

func (b *builder) writePackage(ctx context.Context, t target, p packager) error {
	entries, err := b.installed(t, p)
	if err != nil {
		return err
	}
	stage := filepath.Join(b.scratch, p.name+"-"+t.arch)
	r := b.recipe(t)
	for _, e := range entries {
		src := filepath.Join(stage, filepath.FromSlash(e.name))
		if err := os.MkdirAll(filepath.Dir(src), 0o700); err != nil {
			return err
		}
		if err := os.WriteFile(src, e.body, 0o600); err != nil {
			return err
		}
		c := content{Src: src, Dst: "/" + e.name, FileInfo: fileInfo{uint32(e.mode.Perm()), r.MTime, "root", "root"}}
		r.Contents = append(r.Contents, c)
	}
	for _, name := range sortedKeys(scripts) {
		r.Scripts[name] = filepath.Join(stage, name)
		if err := os.WriteFile(r.Scripts[name], []byte(scripts[name]), 0o600); err != nil {
			return err
		}
	}
	raw, err := json.Marshal(r)
	if err != nil {
		return err
	}
	file := filepath.Join(stage, "recipe.json")
	if err := os.WriteFile(file, raw, 0o600); err != nil {
		return err
	}
	_, err = command(ctx, []string{"SOURCE_DATE_EPOCH=" + strconv.FormatInt(b.at.Unix(), 10)},
		"nfpm", "package", "--config", file, "--packager", p.name, "--target", filepath.Join(b.out, b.named(t)+"."+p.name))
	return err
}

func (b *builder) recipe(t target) recipe {
	return recipe{
		Name: "thawtrail", Arch: t.arch, Version: packageVersion(b.version, b.at), VersionSchema: "none",
		Maintainer: "thawtrail <none>", Section: "science", Priority: "optional",
		Description: "Frozen plasma for horses, from freezer to vein to books\n" +
			"A server for the clinic and an agent for each laptop, which work with or\nwithout a network. One program is both.",
		MTime:   b.at.UTC().Format("2006-01-02T15:04:05Z"),
		Scripts: map[string]string{},
		RPM:     map[string]string{"buildhost": "none", "group": "Applications/Productivity"},
	}
}

// scripts are what an installer runs, by the names that nfpm has for them. A service that
// runs goes on with the new program; one that was never begun is not begun; none stays
// behind a program that is taken away. A machine without systemd has nothing to be told.
// No trouble with a service keeps a package from being installed or taken away. Installers
// say what they are doing in their first word: Debian's in words, RPM by how many
// versions are left.
var scripts = map[string]string{
	"postinstall": whereSystemd + `systemctl daemon-reload || :
systemctl try-restart thawtrail-agent.service thawtrail-server.service || :
`,
	"preremove": whereSystemd + `case "$1" in
remove | 0) systemctl disable --now thawtrail-agent.service thawtrail-server.service || : ;;
esac
`,
	"postremove": whereSystemd + `systemctl daemon-reload || :
`,
}

const whereSystemd = `#!/bin/sh
set -e
[ -d /run/systemd/system ] || exit 0
`

// fromTop is a path as a package names it.
func fromTop(path string) string { return strings.TrimPrefix(path, "/") }

// units are what systemd reads of both services. They are there and do not run: that is
// for whoever installs a service, and has its secret.
func units(t target) []entry {
	agent, server := service.New(t.os, "agent", binary, false), service.New(t.os, "server", binary, false)
	return []entry{
		{"usr/lib/sysusers.d/thawtrail.conf", 0o644, []byte(service.Sysusers)},
		{fromTop(agent.PackagedUnit()), 0o644, []byte(agent.Unit())},
		{fromTop(server.PackagedUnit()), 0o644, []byte(server.Unit())},
		// To be read: 'service install' makes the one that counts, where there is none. As a file of
		// /etc that a package owns, each upgrade would stop at it and ask.
		{"usr/share/thawtrail/" + path.Base(agent.Settings), 0o644, []byte(service.SettingsText)},
	}
}

// installed are the files of a package, from the top of the system on.
func (b *builder) installed(t target, p packager) ([]entry, error) {
	all := append(units(t), []entry{
		{fromTop(binary), 0o755, b.programs[t]},
		{path.Join("usr/share/bash-completion/completions", completionName["bash"]), 0o644, b.texts.completions["bash"]},
		{path.Join("usr/share/fish/vendor_completions.d", completionName["fish"]), 0o644, b.texts.completions["fish"]},
		{path.Join(p.zsh, completionName["zsh"]), 0o644, b.texts.completions["zsh"]},
	}...)
	for _, doc := range b.texts.docs {
		all = append(all, entry{"usr/share/doc/thawtrail/" + doc.name, doc.mode, doc.body})
	}
	for _, w := range b.texts.watching {
		all = append(all, entry{"usr/share/thawtrail/" + w.name, w.mode, w.body})
	}
	for _, name := range sortedKeys(b.texts.manuals) {
		var packed bytes.Buffer
		if err := gzipped(&packed, func(w io.Writer) error {
			_, err := io.WriteString(w, b.texts.manuals[name])
			return err
		}); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		all = append(all, entry{"usr/share/man/man1/" + name + ".gz", 0o644, packed.Bytes()})
	}
	return all, nil
}
