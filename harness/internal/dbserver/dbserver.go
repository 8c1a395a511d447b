// Package dbserver is for tests: it starts database servers of Debian's packages, each
// in a folder of its own and reached by a socket there alone, and ends them.
package dbserver

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"example.org/understudy/sim/testenv"
	"github.com/stretchr/testify/require"
)

// Postgres starts a PostgreSQL server with the statements done, and returns the URL of
// its database.
func Postgres(t *testing.T, statements string) (url string) {
	psql := testenv.Program(t, "psql", "postgresql")
	bin := versioned(t)
	dir := folder(t)
	data := filepath.Join(dir, "data")
	do(t, filepath.Join(bin, "initdb"), "-D", data, "-U", "shop", "-A", "trust", "--no-sync", "-E", "UTF8", "--locale=C.UTF-8")
	start(t, "INT", filepath.Join(bin, "postgres"), "-D", data, "-k", dir, "-c", "listen_addresses=", "-c", "fsync=off")
	client := []string{psql, "-h", dir, "-U", "shop", "-d", "postgres", "-v", "ON_ERROR_STOP=1", "-q"}
	await(t, append(client, "-c", "select 1"))
	do(t, append(client, "-c", statements)...)
	return "postgres://shop@/postgres?host=" + dir
}

// MariaDB starts a MariaDB server with the statements done, and returns the URL of its
// database.
func MariaDB(t *testing.T, statements string) (url string) {
	install := testenv.Program(t, "mariadb-install-db", "mariadb-server")
	server := testenv.Program(t, "mariadbd", "mariadb-server")
	dir := folder(t)
	data, socket := filepath.Join(dir, "data"), filepath.Join(dir, "socket")
	do(t, install, "--no-defaults", "--datadir="+data, "--auth-root-authentication-method=normal", "--skip-test-db")
	start(t, "TERM", server, "--no-defaults", "--datadir="+data, "--socket="+socket, "--skip-networking", "--innodb-flush-log-at-trx-commit=0")
	client := []string{testenv.Program(t, "mariadb", "mariadb-client"), "--no-defaults", "--socket=" + socket, "-u", "root"}
	await(t, append(client, "-e", "select 1"))
	do(t, append(client, "-e", "create database line; use line; "+statements)...)
	return "mysql://root@localhost/line?socket=" + socket
}

// versioned is the folder of the newest server's programs, which Debian keeps off the path.
func versioned(t *testing.T) string {
	found, err := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	require.NoError(t, err)
	if len(found) == 0 {
		testenv.Missing(t, "needs Debian's postgresql")
	}
	return filepath.Dir(found[len(found)-1])
}

// folder makes one that the server's user may write to, with a name that is short enough
// for a socket in it.
func folder(t *testing.T) string {
	dir, err := os.MkdirTemp("", "db")
	require.NoError(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	require.NoError(t, os.Chmod(dir, 0o755))
	if os.Getuid() == 0 {
		require.NoError(t, os.Chown(dir, nobody, nobody))
	}
	return dir
}

// start starts a server, which is asked to end at once, whatever its clients do, by a
// signal that PostgreSQL and MariaDB name differently.
func start(t *testing.T, signal string, words ...string) {
	c := command(words)
	require.NoError(t, c.Start())
	t.Cleanup(func() {
		end(c, signal)
		_ = c.Wait()
	})
}

func do(t *testing.T, words ...string) {
	out, err := command(words).CombinedOutput()
	require.NoError(t, err, "%s", out)
}

// await asks until the server answers.
func await(t *testing.T, words []string) {
	for began := time.Now(); ; time.Sleep(20 * time.Millisecond) {
		out, err := command(words).CombinedOutput()
		if err == nil {
			return
		}
		if time.Since(began) > time.Minute {
			t.Fatalf("the server does not answer: %s", out)
		}
	}
}
