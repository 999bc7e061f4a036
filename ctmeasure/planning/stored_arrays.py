"""Arrays inside saved records: how a case file writes and reads them, without pydantic below the file edge."""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
import numpy.typing as npt


class AsNestedLists:
    """Marks an array field that a case file stores as nested lists (missing numbers as null).

    Example
    -------
    >>> AsNestedLists("float64").plain(np.array([[1.0, np.nan]]))
    [[1.0, None]]
    """

    def __init__(self, dtype: str) -> None:
        self.dtype = dtype

    def plain(self, array: npt.NDArray[Any]) -> Any:
        """The array as nested lists."""
        if array.dtype.kind != "f":
            return array.tolist()
        plain = array.astype(object)
        plain[~np.isfinite(array)] = None
        return plain.tolist()

    def array(self, lists: Any) -> npt.NDArray[Any]:
        """Nested lists as a read-only array."""
        if isinstance(lists, np.ndarray):
            return lists
        array = np.array(lists, dtype=object)
        if self.dtype == "float64":
            array = np.where(array == None, np.nan, array)  # noqa: E711  (element-wise)
        result = array.astype(self.dtype)
        result.setflags(write=False)
        return result

    def __get_pydantic_core_schema__(self, source: Any, handler: Any) -> Any:
        """Tell the file edge how to treat the field."""
        from pydantic_core import core_schema

        return core_schema.no_info_plain_validator_function(
            self.array,
            serialization=core_schema.plain_serializer_function_ser_schema(self.plain),
            json_schema_input_schema=core_schema.list_schema(),
        )


FloatArray = Annotated[npt.NDArray[np.float64], AsNestedLists("float64")]
WordArray = Annotated[npt.NDArray[np.str_], AsNestedLists("str")]
