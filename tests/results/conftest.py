"""What the tests of JUnit files share."""

import os
from pathlib import Path

import pytest
from lxml import etree
from needed import lacking


class Schemas:
    """Published schemas that a file is held against."""

    def __init__(self, folder, names):
        self.schemas = [etree.XMLSchema(etree.parse(str(Path(folder) / name))) for name in names]

    def hold(self, content):
        """See that a file is valid against each of them."""
        document = etree.fromstring(content)
        for schema in self.schemas:
            assert schema.validate(document), schema.error_log


@pytest.fixture(scope="session")
def schemas():
    """Two published schemas: windyroad/JUnit-Schema JUnit.xsd, and jenkinsci/xunit-plugin junit-10.xsd."""
    folder = os.environ.get("LINECHECK_JUNIT_SCHEMAS")
    if not folder:
        lacking("set LINECHECK_JUNIT_SCHEMAS to a folder with ant-style.xsd and junit-10.xsd")
    return Schemas(folder, ("ant-style.xsd", "junit-10.xsd"))
