"""A slow receiver of another hand: of decoders it knows names only."""
