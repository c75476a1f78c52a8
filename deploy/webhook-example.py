#!/usr/bin/env python3
"""A receiver for alerts, to try them with: prints each one it is sent.

    python3 webhook-example.py 127.0.0.1 9099

and in the configuration

    alerts:
      webhooks:
        - url: http://127.0.0.1:9099/

Any status from 200 to 299 tells beltwarden that the alert has arrived; with any
other, or none, it tries again. Delivery is at least once: a receiver that acts
on alerts has to know one that it has seen before.
"""
import http.server
import json
import sys

MOST = 1 << 20  # bytes of one alert


class Receiver(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        try:
            length = int(self.headers.get("Content-Length", ""))
        except ValueError:
            return self.send_error(411)
        if not 0 <= length <= MOST:
            return self.send_error(413)
        body = self.rfile.read(length)
        try:
            print(json.dumps(json.loads(body), indent=2), flush=True)
        except ValueError:
            return self.send_error(400, "not JSON")
        self.send_response(204)
        self.end_headers()


def main():
    if len(sys.argv) != 3 or not sys.argv[2].isdigit():
        sys.exit("usage: webhook-example.py ADDRESS PORT")
    http.server.ThreadingHTTPServer((sys.argv[1], int(sys.argv[2])), Receiver).serve_forever()


if __name__ == "__main__":
    main()
