"""`framefray export`: convert a capture to the formats of other tools."""

from __future__ import annotations

import argparse
from dataclasses import fields
from pathlib import Path

from ..errors import InputError
from ..exports.conversion import Conversion, ExportSettings
from ..opening import SourceRequest, link_settings, open_source
from ..process.streams import tell


def run(arguments: argparse.Namespace) -> int:
    request = SourceRequest.of(arguments)
    settings = ExportSettings(
        **{field.name: getattr(arguments, field.name) for field in fields(ExportSettings)}
    )
    conversion = Conversion(Path(arguments.out), settings, source_name=request.source, force=arguments.force)
    if request.is_emulated and request.hyperframes is None:
        raise InputError(
            "an emulated source has no end", hint="give the number of hyperframes with --hyperframes"
        )
    source = open_source(request)
    note = f"seed {request.seed}" if request.is_emulated else ""
    try:
        written = conversion.run(source, link_settings(request, source), note)
    finally:
        source.close()
        for warning in source.warnings:
            tell(warning)
    tell(f"{', '.join(map(str, conversion.outputs))}: {written}")
    return 0
