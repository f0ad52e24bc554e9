package faults

import (
	"bytes"
	"io"
	"net"
	"net/http"
	"net/http/httputil"
	"net/url"
	"strings"

	"chapterhouse/deploy/faults/proxy"
	"chapterhouse/pipeline/store/s3/s3test"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

// careless is a gateway that takes conditional writes for plain ones, as some
// servers do: of many writers that ask to be the only one, all are told yes.
// The real gateway behind it stores; signatures cover the conditions, so what
// is stored without them is signed anew.
type careless struct {
	server   http.Server
	listener net.Listener
	owner    *minio.Core
	pass     *httputil.ReverseProxy
}

func newCareless(g *s3test.Gateway) (*careless, error) {
	to, err := url.Parse(g.Endpoint)
	if err != nil {
		return nil, err
	}
	c := &careless{pass: &httputil.ReverseProxy{Rewrite: func(r *httputil.ProxyRequest) {
		r.Out.URL.Scheme, r.Out.URL.Host, r.Out.Host = to.Scheme, to.Host, r.In.Host
	}}}
	c.owner, err = minio.NewCore(to.Host, &minio.Options{
		Creds: credentials.NewStaticV4(g.AccessKey, g.SecretKey, ""), Region: s3test.Region,
	})
	if err != nil {
		return nil, err
	}
	if c.listener, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		return nil, err
	}
	c.server.Handler = c
	go func() { _ = c.server.Serve(c.listener) }()
	return c, nil
}

func (c *careless) addr() string { return c.listener.Addr().String() }

func (c *careless) close() { c.server.Close() }

func (c *careless) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	conditional := r.Header.Get("If-None-Match") != "" || r.Header.Get("If-Match") != ""
	if r.Method != http.MethodPut || !conditional {
		c.pass.ServeHTTP(w, r)
		return
	}
	raw, err := io.ReadAll(r.Body)
	var body []byte
	if err == nil {
		body, err = proxy.Body(r, raw)
	}
	bucket, name, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
	var info minio.UploadInfo
	if err == nil {
		info, err = c.owner.PutObject(r.Context(), bucket, name, bytes.NewReader(body), int64(len(body)), "", "", minio.PutObjectOptions{})
	}
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("ETag", `"`+info.ETag+`"`)
}
