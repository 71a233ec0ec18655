"""`python -m streamer.agent CONFIG`: the agent alone, without loading anything else of ours."""

import argparse

from streamer.agent.command import add_arguments, main

if __name__ == "__main__":
    parser = argparse.ArgumentParser(prog="streamer agent", description="A gateway's agent.")
    add_arguments(parser)
    raise SystemExit(main(parser.parse_args()))
