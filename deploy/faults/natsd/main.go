// Natsd is a broker as a process of its own: one server, or one of a cluster,
// with JetStream and every write synced. Proofs start it, kill it and take its
// store away.
//
//	go run ./deploy/faults/natsd -listen 127.0.0.1:4222 -store DIR
package main

import (
	"flag"
	"fmt"
	"net"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "natsd:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	f := flag.NewFlagSet("natsd", flag.ContinueOnError)
	listen := f.String("listen", "127.0.0.1:4222", "address for clients")
	store := f.String("store", "", "folder of JetStream's store")
	name := f.String("name", "one", "the server's name, another one for each")
	cluster := f.String("cluster", "", "address for the other servers; empty: it is alone")
	routes := f.String("routes", "", "their addresses, with commas between")
	maxStore := f.Int64("max-store", 8<<30, "bytes that the store may have")
	if err := f.Parse(args); err != nil {
		return err
	}
	o := &server.Options{
		ServerName: *name, JetStream: true, StoreDir: *store, SyncAlways: true,
		JetStreamMaxMemory: 1 << 20, JetStreamMaxStore: *maxStore, MaxPayload: 1 << 20,
		DisableJetStreamBanner: true,
	}
	var err error
	if o.Host, o.Port, err = address(*listen); err != nil {
		return err
	}
	if *cluster != "" {
		// Clients are behind proxies: they must not learn of other ways here.
		o.Cluster = server.ClusterOpts{Name: "night", NoAdvertise: true}
		if o.Cluster.Host, o.Cluster.Port, err = address(*cluster); err != nil {
			return err
		}
		for _, r := range strings.Split(*routes, ",") {
			o.Routes = append(o.Routes, &url.URL{Scheme: "nats", Host: r})
		}
	}
	s, err := server.NewServer(o)
	if err != nil {
		return err
	}
	s.ConfigureLogger()
	if err := server.Run(s); err != nil {
		return err
	}
	for s.Running() && !(s.ReadyForConnections(time.Second) && (*cluster == "" || s.JetStreamIsCurrent())) {
		time.Sleep(20 * time.Millisecond)
	}
	fmt.Println(ready)
	s.WaitForShutdown()
	return nil
}

// ready is what it says once it takes streams.
const ready = "natsd is ready"

func address(s string) (host string, port int, err error) {
	host, text, err := net.SplitHostPort(s)
	if err != nil {
		return "", 0, err
	}
	port, err = strconv.Atoi(text)
	return host, port, err
}
