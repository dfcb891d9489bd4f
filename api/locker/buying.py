"""The buying list: what can be bought where on the way, and until when."""

from sqlalchemy import Connection

from api.access.current import Reader
from api.db import Work
from api.errors import NotFound
from api.locker import queries
from api.locker.givers import Shop
from api.locker.schemas import BuyingList, ShopShown, ShopWrite


def listed(conn: Connection, reader: Reader) -> BuyingList:
    """Every line of the outfit's buying list, by what it is."""
    shops = sorted(queries.shops(conn, reader.outfit), key=lambda shop: (shop.what, shop.id))
    return BuyingList(shops=tuple(_shown(shop) for shop in shops))


def one(conn: Connection, reader: Reader, shop_id: str) -> ShopShown:
    """One line. Raises NotFound."""
    found = next((shop for shop in queries.shops(conn, reader.outfit) if shop.id == shop_id), None)
    if found is None:
        raise NotFound(f"The buying list has no line {shop_id!r}. Look at the list.")
    return _shown(found)


def put(work: Work, reader: Reader, shop_id: str, new: ShopWrite) -> ShopShown:
    """Enter a line, or change what is entered, whole."""
    shop = Shop(**(new.model_dump() | {"id": shop_id, "meets": tuple(new.meets)}))
    queries.remove_shop(work, reader.outfit, shop_id)
    queries.add_shop(work, reader.outfit, shop)
    return one(work, reader, shop_id)


def remove(work: Work, reader: Reader, shop_id: str) -> BuyingList:
    """Take a line off the list; what was promised from it stays promised. Raises NotFound."""
    one(work, reader, shop_id)
    queries.remove_shop(work, reader.outfit, shop_id)
    return listed(work, reader)


def _shown(shop: Shop) -> ShopShown:
    return ShopShown(
        id=shop.id,
        what=shop.what,
        meets=shop.meets,
        place=shop.place,
        until=shop.until,
        price=shop.price,
        currency=shop.currency,
        answers=dict(shop.answers),
        traits=dict(shop.traits),
    )
