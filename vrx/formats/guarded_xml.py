"""The one XML parser for strangers: no document type, no entity, nothing fetched."""

from __future__ import annotations

from collections.abc import Callable
from typing import NoReturn
from xml.parsers import expat


def guarded_parser(refuse: Callable[..., NoReturn]) -> expat.XMLParserType:
    """An expat parser that calls `refuse`, which must raise, for any DOCTYPE or entity.

    Without a document type there are neither entities of the file's own (and so no bomb) nor
    anything outside to fetch. Names come as "namespace}name".
    """
    parser = expat.ParserCreate(namespace_separator="}")
    parser.buffer_text = True
    parser.SetParamEntityParsing(expat.XML_PARAM_ENTITY_PARSING_NEVER)
    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    parser.ExternalEntityRefHandler = refuse
    return parser
