"""Which plugs of a crop are for those customers alone who agreed to plants bought in?

Where a nursery raises a crop itself and buys some in, what is sold as bought in (the sheet
Protocols says what, `crop.Protocol.sold_as_bought_in`) serves nobody who did not agree. A plan has
two crops of it then: one that is raised, and one that is bought in. A crop that is bought in
alone is one crop, for everybody: its customers know no other.
"""

from __future__ import annotations

from collections.abc import Sequence

from sqlmodel import Session, select

from nursery.crop import Crop, Protocol, with_protocols

_BY_CONSENT = ", bought in for who agreed"


def is_split(crop: Crop) -> bool:
    """Is what is bought in of this crop kept apart, since the nursery raises it as well?"""
    return any(not one.sold_as_bought_in for one in usable(crop))


def usable(crop: Crop) -> list[Protocol]:
    """By which protocols can plugs of this crop be had at all? Those that have stages."""
    return [protocol for protocol in crop.protocols if protocol.stages]


def split_crops(session: Session) -> frozenset[int]:
    """Of which crops (ids) is what is bought in kept apart?"""
    crops = session.exec(select(Crop).options(with_protocols())).all()
    return frozenset(crop.id or 0 for crop in crops if is_split(crop))


def protocols_of(crop: Crop, by_consent: bool) -> Sequence[Protocol]:
    """By which protocols can plugs for everybody be had, or those for who agreed alone?"""
    if not is_split(crop):
        return [] if by_consent else usable(crop)
    return [one for one in usable(crop) if one.sold_as_bought_in == by_consent]


def crop_key(crop: Crop, by_consent: bool = False) -> str:
    """What is this crop called in a plan, or the part of it that is for who agreed alone?"""
    return crop.name + (_BY_CONSENT if by_consent else "")


def crop_key_of(protocol: Protocol) -> str:
    """Under which crop does a plan have this protocol?"""
    return crop_key(protocol.crop, is_split(protocol.crop) and protocol.sold_as_bought_in)
