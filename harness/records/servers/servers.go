// Package servers lets a program read a host's records from database servers,
// PostgreSQL and MySQL or MariaDB: import it for that effect alone.
package servers

import (
	"database/sql"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/records"
	"github.com/go-sql-driver/mysql"
	"github.com/lib/pq"
)

func init() { records.RegisterServers(open) }

func open(form hostfile.Form, dsn string) (*sql.DB, error) {
	u, err := url.Parse(dsn)
	if err != nil {
		return nil, fmt.Errorf("the dsn is no URL: %w", err)
	}
	if form == hostfile.MySQL {
		return openMySQL(u)
	}
	c, err := pq.NewConnector(u.String())
	if err != nil {
		return nil, err
	}
	return sql.OpenDB(c), nil
}

// openMySQL reads mysql://USER@HOST:PORT/DATABASE, with ?socket=FILE for a socket of this
// machine. The password is that of the environment, MYSQL_PWD.
func openMySQL(u *url.URL) (*sql.DB, error) {
	c := mysql.NewConfig()
	c.User, c.Passwd, c.DBName = u.User.Username(), os.Getenv("MYSQL_PWD"), strings.TrimPrefix(u.Path, "/")
	c.Net, c.Addr = "tcp", net.JoinHostPort(u.Hostname(), "3306")
	if u.Port() != "" {
		c.Addr = u.Host
	}
	for key, value := range u.Query() {
		if key != "socket" {
			return nil, errors.New("of the dsn, " + key + " has no meaning here; write socket=FILE, or nothing")
		}
		c.Net, c.Addr = "unix", value[0]
	}
	connector, err := mysql.NewConnector(c)
	if err != nil {
		return nil, err
	}
	return sql.OpenDB(connector), nil
}
