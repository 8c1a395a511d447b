pytest_plugins = ["understudy_pytest"]
