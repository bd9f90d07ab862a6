//go:build unix

package storetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

// script runs a server for as long as its standard input is open. The other end
// is held by the test process alone, so it closes when that process ends in
// whatever way, and no server and no file is left behind.
const script = `
set -e
dir=$1 bin=$2
trap 'rm -rf "$dir"' EXIT
"$bin/initdb" --pgdata="$dir/data" --username=slabledger --auth=trust --encoding=UTF8 --locale=C.UTF-8 --no-sync >"$dir/log" 2>&1 || { cat "$dir/log" >&2; exit 1; }
exec 2>/dev/null # a word to a test process that is gone would end this shell before its trap
"$bin/postgres" -D "$dir/data" -k "$dir" -c listen_addresses= -c fsync=off -c max_connections=200 >>"$dir/log" 2>&1 &
read -r _ || true
kill -QUIT $!
wait $! || true
`

// lifeline is the end that the test process holds.
var lifeline io.WriteCloser

func startLocal() (dsn string, err error) {
	bin, err := binaries()
	if err != nil {
		return "", err
	}
	dir, err := os.MkdirTemp("", "pg") // short, since the path of a socket has at most 107 bytes
	if err != nil {
		return "", err
	}
	cmd := exec.Command("/bin/sh", "-c", script, "sh", dir, bin)
	cmd.Dir = dir
	cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "LC_ALL=C"}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // a Ctrl-C is for the test process
	if os.Getuid() == 0 {                                 // which PostgreSQL refuses to run as
		if cmd.SysProcAttr.Credential, err = unprivileged(); err == nil {
			err = os.Chown(dir, int(cmd.SysProcAttr.Credential.Uid), int(cmd.SysProcAttr.Credential.Gid))
		}
		if err != nil {
			return "", errors.Join(err, os.Remove(dir))
		}
	}
	var said bytes.Buffer
	cmd.Stderr = &said
	if lifeline, err = cmd.StdinPipe(); err != nil {
		return "", errors.Join(err, os.Remove(dir))
	}
	if err := cmd.Start(); err != nil {
		return "", errors.Join(err, os.Remove(dir))
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()

	dsn = "postgres://slabledger@/postgres?host=" + dir
	deadline := time.After(time.Minute)
	for {
		select {
		case err := <-ended:
			return "", fmt.Errorf("%s: %w: %s", bin, err, said.Bytes())
		case <-deadline:
			text, _ := os.ReadFile(filepath.Join(dir, "log"))
			return "", errors.Join(fmt.Errorf("%s: no answer within a minute: %s", bin, text), lifeline.Close())
		case <-time.After(50 * time.Millisecond):
			if answers(dsn) {
				return dsn, nil
			}
		}
	}
}

func answers(dsn string) bool {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, dsn)
	if err != nil {
		return false
	}
	return conn.Close(ctx) == nil
}

// binaries is the folder that has initdb and postgres.
func binaries() (string, error) {
	var folders []string
	if path, err := exec.LookPath("postgres"); err == nil {
		if path, err = filepath.EvalSymlinks(path); err == nil {
			folders = append(folders, filepath.Dir(path))
		}
	}
	packaged, _ := filepath.Glob("/usr/lib/postgresql/*/bin") // the pattern is well formed
	for _, folder := range append(folders, packaged...) {
		if _, err := exec.LookPath(filepath.Join(folder, "postgres")); err != nil {
			continue
		}
		if _, err := exec.LookPath(filepath.Join(folder, "initdb")); err == nil {
			return folder, nil
		}
	}
	return "", errors.New("initdb and postgres are neither on the PATH nor in /usr/lib/postgresql")
}

// unprivileged is a user to be in root's place.
func unprivileged() (*syscall.Credential, error) {
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err1 := strconv.ParseUint(u.Uid, 10, 32)
		gid, err2 := strconv.ParseUint(u.Gid, 10, 32)
		if err1 == nil && err2 == nil && uid != 0 {
			return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, nil
		}
	}
	return nil, errors.New("running as root, and there is neither a user postgres nor a user nobody")
}
