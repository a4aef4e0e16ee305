// Command release packs the program for the systems that people have. It is called by
// .ci/release, which brings the tools; it is no part of the program.
//
//	release build FOLDER             writes all files of a release into an empty folder
//	release build FOLDER SYSTEM ...  only those for some systems, such as linux/amd64
//	release notices                  writes the licences of all libraries beside the program
//
// Run it at the top of the repository.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"slices"
	"syscall"
)

// target is a system that the program is built for.
type target struct{ os, arch string }

var targets = []target{
	{"darwin", "amd64"}, {"darwin", "arm64"}, {"linux", "amd64"}, {"linux", "arm64"}, {"windows", "amd64"}, {"windows", "arm64"},
}

func (t target) String() string { return t.os + "/" + t.arch }

func (t target) env() []string {
	return []string{"GOOS=" + t.os, "GOARCH=" + t.arch, "CGO_ENABLED=0"}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:])
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "release: "+err.Error())
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string) error {
	switch {
	case len(args) >= 2 && args[0] == "build":
		of, err := chosen(args[2:])
		if err != nil {
			return err
		}
		return build(ctx, args[1], of)
	case len(args) == 1 && args[0] == "notices":
		text, err := notices(ctx)
		if err != nil {
			return err
		}
		return os.WriteFile(noticesFile, []byte(text), 0o644) // #nosec G306 -- it is kept with the source
	}
	return errors.New("say what: build FOLDER [SYSTEM ...], or notices")
}

// chosen are the systems that were named; all when none was.
func chosen(names []string) (of []target, err error) {
	if len(names) == 0 {
		return targets, nil
	}
	for _, name := range names {
		at := slices.IndexFunc(targets, func(t target) bool { return t.String() == name })
		if at < 0 {
			return nil, fmt.Errorf("%s is none of the systems that a release is for: %v", name, targets)
		}
		of = append(of, targets[at])
	}
	return of, nil
}
